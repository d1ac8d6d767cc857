"""What the recorder does is no dirt, and dirt is not put down to the recorder."""

from types import SimpleNamespace

import numpy as np
import pytest
from sliders import sweep
from voice import RATE

from sigkit.measures.slider import measure_slider
from sigkit.measures.slider.tone import is_alone

CLEAN = {"dirty": False, "snr_db": 60.0, "pops": False, "flicks": False, "seconds": 6.0}


def spoiled(folder, seed, kind, waveform, spoil):
    """A clean sweep with something done to its sound a third of the way through."""
    made = sweep(seed, kind=kind, waveform=waveform, **CLEAN)
    at = round((made.press_s + (made.release_s - made.press_s) / 3) * RATE)
    spoil(made.sound, at)
    return measure_slider(made.capture(folder), controls=kind), at / RATE


def glitch(sound, at):
    sound[at] += 0.3 if sound[at] < 0 else -0.3


def zeros(sound, at):
    sound[at : at + 48] = 0


@pytest.mark.parametrize(("kind", "waveform"), [("level", "saw"), ("pitch", "triangle")])
@pytest.mark.parametrize(("spoil", "name"), [(glitch, "glitch"), (zeros, "silence")])
def test_a_fault_of_the_recorder_is_named_and_no_event(tmp_path, kind, waveform, spoil, name):
    result, at_s = spoiled(tmp_path, 41, kind, waveform, spoil)
    assert result.recorder_faults["kind"].tolist() == [name]
    assert result.recorder_faults["time_s"].tolist() == pytest.approx([at_s], abs=0.002)
    assert result.events.empty
    assert any("fault(s) of the recorder" in note for note in result.notes)
    here = np.abs(result.time_s - at_s) < 0.01
    assert not result.assessed[here].any()


@pytest.mark.parametrize("length_s", [0.001, 0.004, 0.03])
def test_a_burst_is_not_put_down_to_the_recorder(tmp_path, length_s):
    """White noise as long as that, 20 dB below the tone: it takes more than one sample."""
    rng = np.random.default_rng(8)

    def noise(sound, at):
        count = round(length_s * RATE)
        sound[at : at + count] += 0.01 * rng.standard_normal(count)

    result, at_s = spoiled(tmp_path, 43, "level", "saw", noise)
    assert result.recorder_faults.empty
    assert result.events["start_s"].tolist() == pytest.approx([at_s], abs=0.003)


def test_an_open_contact_is_a_dropout_for_its_hiss_remains(tmp_path):
    def gap(sound, at):
        sound[at : at + 480] = 1e-5 * np.random.default_rng(9).standard_normal(480)

    result, at_s = spoiled(tmp_path, 44, "level", "triangle", gap)
    assert result.recorder_faults.empty
    assert result.events["kind"].tolist() == ["dropout"]
    assert result.events["start_s"].tolist() == pytest.approx([at_s], abs=0.003)


def test_a_glitch_with_something_beside_it_is_part_of_dirt():
    rest = np.full(1000, 1e-9)
    rest[500] = 1e-3  # one millisecond of the residual
    assert is_alone(SimpleNamespace(rest=rest), 0.5, "glitch")
    rest[503:506] = 1e-3
    assert not is_alone(SimpleNamespace(rest=rest), 0.5, "glitch")
    assert is_alone(SimpleNamespace(rest=rest), 0.5, "silence")
