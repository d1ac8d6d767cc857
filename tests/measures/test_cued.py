"""What measures take from a cue track in channel 1, and that they take nothing without one."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import soundfile as sf
from cues import capture_of, play
from keyboards import Instrument, render, steady_presses
from scipy import signal

import sigkit
from sigkit.captures.cues.read import Cue
from sigkit.measures.cued import cued_order, cued_travel, unanswered
from sigkit.measures.keyboard.order import Order
from sigkit.measures.slider.travel import COLUMNS, Travel

RATE = 48000


@pytest.fixture(scope="module")
def moved(tmp_path_factory):
    """A triangle through a slider of level that goes up and down twice, 0.12 s after the beeps."""
    folder, rng = tmp_path_factory.mktemp("slider"), np.random.default_rng(31)
    played = play(folder, "slider", 31, passes=2, under="saw", below_db=20.0, late_s=1.3)
    t = np.arange(played.sound.size) / RATE
    ends = np.stack([played.start_s[:4], played.stop_s[:4]], 1).ravel()
    cued = np.interp(t, ends, [0, 100, 100, 0, 0, 100, 100, 0])
    hand = np.interp(t - 0.12, t, cued)
    gain = 10 ** ((hand / 100 - 1) * 30 / 20)
    tone = 0.3 * gain * signal.sawtooth(2 * np.pi * 110 * t, 0.5)
    tone += 1e-4 * rng.standard_normal(t.size)
    planted = [played.start_s[i] + 2.0 for i in range(4)]
    for at_s in planted:
        at = round(at_s * RATE)
        tone[at : at + 480] += 0.1 * gain[at] * rng.standard_normal(480) * np.hanning(480)
    for channel in (tone, played.sound):  # the recorder slips once
        channel[round(14.6 * RATE)] += 0.4
    both = sigkit.measure_slider(capture_of(folder, played, tone), controls="level")
    sf.write(folder / "alone.wav", tone, RATE, subtype="PCM_24")
    alone = sigkit.measure_slider(sigkit.open_capture(folder / "alone.wav"), controls="level")
    return t, cued, hand, planted, both, alone


def test_a_sliders_places_and_directions_are_by_cue(moved):
    t, cued, hand, planted, result, _ = moved
    assert any("place and direction of 4 passes by cue, as cued" in n for n in result.notes)
    assert list(result.passes["number"]) == [1, 2, 3, 4]
    assert list(result.passes["direction"]) == ["up", "down"] * 2
    assert list(result.passes["from_percent"]) == [0, 100] * 2
    known = np.isfinite(result.travel_percent)
    place = result.travel_percent[known]
    assert place == pytest.approx(np.interp(result.time_s[known], t, cued), abs=0.25)
    off = place - np.interp(result.time_s[known], t, hand)
    assert np.max(np.abs(off)) < 2 * 4.3  # the stated uncertainty of a hand, k = 2
    bursts = result.events[result.events["kind"] == "burst"]
    assert bursts["start_s"].to_numpy() == pytest.approx(planted, abs=0.02)
    assert list(bursts["number"]) == [1, 2, 3, 4]
    assert bursts["travel_percent"].to_numpy() == pytest.approx([50.0] * 4, abs=1.0)
    assert bursts["u_travel_percent"].to_numpy() == pytest.approx([4.25] * 4, abs=0.1)


def test_the_events_are_the_same_with_a_cue_and_without(moved):
    *_, result, alone = moved
    for name in ("start_s", "stop_s", "level_db"):
        assert np.allclose(result.events[name], alone.events[name], equal_nan=True)
    assert float(result.worst_level) == float(alone.worst_level)
    assert not any("cue" in note for note in alone.notes)


def test_a_glitch_on_both_channels_is_the_recorders(moved):
    *_, result, _ = moved
    fault = result.recorder_faults
    near = fault[np.abs(fault["time_s"] - 14.6) < 1e-3]
    assert list(near["kind"]) == ["glitch"]
    assert list(near["channels"]) == [2]
    assert not ((result.events["start_s"] < 14.601) & (result.events["stop_s"] > 14.599)).any()


def _heard(directions):
    rows = [(i + 1, way, 3.1 + 5 * i, 6.9 + 5 * i, 0.0, 100.0) for i, way in enumerate(directions)]
    nowhere = np.full(600, np.nan)
    return Travel(
        passes=pd.DataFrame(rows, columns=COLUMNS),
        travel_percent=nowhere,
        u_travel_percent=nowhere,
        moving=np.ones(600, bool),
    )


@pytest.fixture(scope="module")
def slider_cue(tmp_path_factory) -> Cue:
    folder = tmp_path_factory.mktemp("cue")
    sigkit.make_cue("slider", folder / "cue.wav", passes=5)
    return sigkit.read_cue(sigkit.open_capture(folder / "cue.wav"))


def test_a_control_that_falls_as_its_slider_goes_up_is_turned_round(slider_cue):
    time = np.arange(600) / 10
    travel, said = cued_travel(slider_cue, _heard(["down", "up"] * 5), time)
    assert list(travel.passes["direction"]) == ["up", "down"] * 5
    assert "falls as the slider goes up" in said[0]
    assert travel.travel_percent[50] == pytest.approx(50.0, abs=1)
    assert not travel.moving[5]
    assert travel.moving[50]


def test_a_hand_that_did_not_follow_leaves_places_as_heard(slider_cue):
    heard = _heard(["up", "up", "down", "down", "up"])
    travel, said = cued_travel(slider_cue, heard, np.arange(600) / 10)
    assert travel is heard
    assert "did the hand follow" in said[0]


def test_without_a_cue_nothing_changes(tmp_path):
    heard = _heard(["up"])
    assert cued_travel(None, heard, np.arange(600) / 10) == (heard, ())
    sf.write(tmp_path / "a.wav", np.zeros((RATE, 1)) + 0.1, RATE)
    capture = sigkit.open_capture(tmp_path / "a.wav")
    order = Order((0, 1), (0, 0), 0)
    assert cued_order(capture, order, [0.1, 0.2], np.arange(2.0), 2) == (order, [])
    assert unanswered(capture, "glide", [0.1], ("up",), "a glide") == []


def _keyed(folder, *, dead, keys=8, cents=-100.0, lag=0.2, seed=5):
    """A sweep up over keys that all sound a semitone flat, some dead, pressed after the beeps."""
    rng = np.random.default_rng(seed)
    presses = steady_presses(48, np.full(keys, cents), hold_s=1.0, gap_s=0.5, first_s=4.0 + lag)
    presses = [p for i, p in enumerate(presses) if i not in dead]
    sound = render(presses, Instrument(), 20.0, rng)
    played = play(folder, "keyboard", seed, keys=keys, passes=1, under="saw", below_db=20.0)
    return capture_of(folder, played, sound[: played.sound.size])


def test_dead_keys_are_known_by_cue_where_pitch_would_mislead(tmp_path):
    """All keys a semitone flat and the first one dead: by pitch the last one would be."""
    capture = _keyed(tmp_path, dead={0, 4})
    result = sigkit.measure_keyboard(capture, lowest_key="C3", keys=8)
    assert list(result.keys["status"] == "missing") == [i in (0, 4) for i in range(8)]
    assert any("keys are by cue; pressed +200 ms" in note for note in result.notes)
    known = result.keys["error_cents"].dropna()
    assert known.to_numpy() == pytest.approx(np.full(6, -100.0), abs=0.1)


def test_a_cue_of_another_length_or_test_is_not_used(tmp_path):
    capture = _keyed(tmp_path, dead={4})
    result = sigkit.measure_keyboard(capture, lowest_key="C3", keys=9)
    assert any("for 8 keys, not 9" in note for note in result.notes)
    assert unanswered(capture, "glide", [1.0], ("up",), "a glide") == [
        "channel 1 holds the cue track of another test, keyboard: not used"
    ]


def test_a_sweep_that_does_not_follow_its_beeps_is_put_to_keys_by_pitch(tmp_path):
    capture = _keyed(tmp_path, dead=set())
    order = Order(tuple(range(8)), (0,) * 8, 0)
    onset = [4.2 + 1.5 * i for i in range(8)]
    back, said = cued_order(capture, order, onset, np.arange(8.0)[::-1], 8)
    assert back is order
    assert "did the hand follow" in said[-1]
    own, said = cued_order(capture, order, onset, np.arange(8.0), 8)
    assert own == order


def test_beeps_that_nothing_answers_are_said(tmp_path):
    played = play(tmp_path, "envelope", 6, passes=3)
    capture = capture_of(tmp_path, played)
    ups = [
        s for s, step in zip(played.start_s, played.plan.steps, strict=True) if step.kind == "up"
    ]
    said = unanswered(capture, "envelope", [ups[0] + 0.2, ups[2] + 0.3], ("up",), "a press")
    assert said[-1] == (
        f"2 of 3 beeps for a press are answered; nothing at up of 2 at {ups[1]:.1f} s"
    )
    assert said[0].startswith("by cue: cue of envelope, 3 passes in channel 1")
