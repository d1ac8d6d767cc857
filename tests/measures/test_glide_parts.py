"""Captures as benches produce them: glides heard in part, drop-outs, a vibrato left on."""

import math

import numpy as np
import pytest
import soundfile as sf
import voice
from glides import RATE, Slew, play

import sigkit
from sigkit.errors import SignalError
from sigkit.measures.glide.waver import waver_of
from sigkit.tracks.gaps import gaps_of
from sigkit.tracks.part_changes import CUT_OFF, NO_END, NO_START, NOT_HELD, slides

SECONDS = 0.3


def heard(path, sound):
    sf.write(path, sound, RATE, subtype="PCM_24")
    return sigkit.measure_glide(sigkit.open_capture(path))


@pytest.fixture(scope="module")
def played():
    slews = [Slew("exponential", SECONDS)] * 3
    return play(np.random.default_rng(31), slews, low_hz=262, octaves=2, hold_s=1.8)


def silent_start(sound, starts):
    out = sound.copy()
    out[: round((starts[0] + 0.05) * RATE)] *= 1e-4
    return out


def early_end(sound, starts):
    return sound[: round((starts[-1] + 0.25) * RATE)]


def dropped(at_s):
    def spoil(sound, starts):
        out = sound.copy()
        first = round((starts[1] + at_s) * RATE)
        out[first : first + round(0.02 * RATE)] = 0
        return out

    return spoil


@pytest.mark.parametrize(
    ("spoil", "lost", "reason"),
    [
        (silent_start, 0, NO_START),
        (early_end, 2, NO_END),
        (dropped(0.1), 1, "drops out for 20 ms"),
    ],
    ids=["silent start", "early end", "drop-out"],
)
def test_a_glide_heard_in_part_is_listed_and_left_out(tmp_path, played, spoil, lost, reason):
    starts = played.truth["start_s"].to_numpy()
    result = heard(tmp_path / "part.wav", spoil(played.sound, starts))
    assert len(result.glides) == 3
    assert np.flatnonzero(~result.glides["whole"]).tolist() == [lost]
    row = result.glides.iloc[lost]
    assert reason in row["reason"]
    assert row["start_s"] == pytest.approx(starts[lost], abs=0.2)
    assert math.isnan(row["glide_time_s"])
    assert float(result.glide_time) == pytest.approx(SECONDS, rel=1e-4)
    assert any("left out" in note and reason in note for note in result.notes)


def test_a_drop_out_in_a_held_note_spoils_no_glide(tmp_path, played):
    starts = played.truth["start_s"].to_numpy()
    sound = dropped(-0.3)(played.sound, starts)
    found = heard(tmp_path / "hold.wav", sound).glides
    assert found["whole"].all()
    np.testing.assert_allclose(found["glide_time_s"], SECONDS, rtol=1e-3)


def test_a_key_too_soon_lists_both_glides(tmp_path):
    slews = [Slew("exponential", SECONDS)] * 3
    played = play(
        np.random.default_rng(32), slews, low_hz=262, octaves=2, hold_s=[1.5, 0.25, 1.8, 1.8]
    )
    result = heard(tmp_path / "soon.wav", played.sound)
    assert list(result.glides["reason"]) == [CUT_OFF, NOT_HELD, ""]
    np.testing.assert_allclose(result.glides["start_s"], played.truth["start_s"], atol=0.05)
    assert float(result.glide_time) == pytest.approx(SECONDS, rel=1e-4)


def test_nothing_but_parts_is_an_error_that_says_so(tmp_path, played):
    starts = played.truth["start_s"].to_numpy()
    sound = played.sound[: round((starts[0] + 0.25) * RATE)]
    with pytest.raises(SignalError, match="capture ends before its pitch has come to rest"):
        heard(tmp_path / "none.wav", sound)


@pytest.mark.parametrize(
    ("cents", "truth"),
    [
        (np.linspace(0, 300, 12), True),
        (np.linspace(0, -300, 12), True),
        (np.linspace(0, 50, 12), False),  # a bend
        (np.r_[np.zeros(6), np.full(6, 1200.0)], False),  # an octave taken wrongly
        (np.tile([0.0, 200.0], 6), False),  # noise
    ],
)
def test_what_slides(cents, truth):
    assert slides(cents) is truth


@pytest.mark.parametrize("gap_s", [0.02, 0.1])
def test_where_a_tone_is_missing(gap_s):
    """A narrow pulse is silent for most of its period and missing nowhere else."""
    t = np.arange(RATE) / RATE
    sound = np.where((100 * t) % 1 < 0.05, 1.0, 0.0) + 1e-4 * np.sin(1000 * t)
    first, last = round(0.4 * RATE), round((0.4 + gap_s) * RATE)
    sound[first:last] *= 1e-4
    ((begin, end),) = gaps_of(sound, RATE, 100.0)
    assert begin == pytest.approx(0.4, abs=0.011)
    assert end == pytest.approx(0.4 + gap_s, abs=0.011)


def test_a_vibrato_on_both_notes_is_taken_out(tmp_path):
    """4 cents at 5.5 Hz, running on; without that the times would err by many u."""
    seconds, hold = 0.13, 1.2
    t = np.arange(round(4.2 * hold * RATE)) / RATE
    slew = Slew("exponential", seconds)
    up, down = slew.progress(t - hold), slew.progress(t - 2.4 * hold)
    pitch = 1200 * (up - down) + 4 * np.sin(2 * math.pi * 5.5 * t)
    path = math.log2(400) + pitch / 1200
    still = np.zeros(int(np.sum(2**path) / RATE) + 64)
    x = voice.decimate(voice.oscillate("saw", path, np.full(t.size, 0.5), still, 0.3))
    x = 0.15 * x / x.std() + 1e-3 * np.random.default_rng(33).standard_normal(t.size)
    result = heard(tmp_path / "vibrato.wav", x)
    found = result.glides
    assert list(found["law"]) == ["exponential"] * 2
    assert (abs(found["glide_time_s"] - seconds) <= 3 * found["u_glide_time_s"]).all()
    np.testing.assert_allclose(found["glide_time_s"], seconds, rtol=1e-3)
    assert any("waver by ±4.0 cents at 5.5 Hz" in note for note in result.notes)


def test_steady_notes_have_no_vibrato():
    rng = np.random.default_rng(34)
    time = np.arange(0, 4, 1 / 300) + 3e-6 * rng.standard_normal(1200)
    assert waver_of(time, 1.8, (2.0, 3.9)) is None


def test_a_planted_overshoot_lies_within_its_uncertainty(tmp_path):
    slews = [Slew("linear", 0.15)] * 4
    played = play(
        np.random.default_rng(35), slews, low_hz=300, octaves=2, hold_s=1.6, overshoot=0.02,
        snr_db=40,
    )  # fmt: skip
    found = heard(tmp_path / "over.wav", played.sound).glides
    off = found["overshoot_cents"] - 0.02 * 2400
    # Some hundredths of a cent of its tail are left at the end of each hold.
    assert (abs(off) <= 2.5 * found["u_overshoot_cents"]).all()
    assert (found["u_overshoot_cents"] < 0.1 * 0.02 * 2400).all()
