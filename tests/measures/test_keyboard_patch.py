"""Sweeps as hands and panels spoil them: glide, vibrato, two oscillators, speech, other keys."""

from dataclasses import replace

import numpy as np
import pytest
from key_sweeps import errors
from key_sweeps import measured as of_presses
from keyboards import steady_presses
from mono import RATE, played, presses_of, speech
from scipy.io import wavfile

import sigkit
from sigkit.measures.keyboard import measure_keyboard
from sigkit.measures.keyboard.order import order_of

LOWEST, KEYS = 50, 13


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    folder = tmp_path_factory.mktemp("patch")

    def run(seed, keys=None, *, lowest=LOWEST, told=KEYS, before=None, **patch):
        rng = np.random.default_rng(seed)
        errors = dict(enumerate((4 * rng.standard_normal(64)).tolist(), LOWEST - 24))
        keys = range(LOWEST, LOWEST + KEYS) if keys is None else keys
        sound = played(presses_of(keys), rng, errors=errors, **patch)
        if before is not None:
            sound = np.concatenate([before(rng), sound])
        path = folder / f"keyboard-{seed}.wav"
        wavfile.write(path, RATE, sound.astype(np.float32))
        result = measure_keyboard(sigkit.open_capture(path), lowest_key=lowest, keys=told)
        truth = np.array([errors[lowest + k] for k in range(told)])
        return result, result.keys["error_cents"].to_numpy() - truth

    return run


def said(result, words):
    return any(words in note for note in result.notes)


def test_glide_left_on_is_said_and_each_pitch_is_where_it_comes_to_rest(measured):
    result, off = measured(1, glide_s=0.1)
    assert said(result, "glides from the one before")
    assert np.abs(off).max() < 0.1
    assert np.all(np.abs(off) < 3 * result.keys["u_cents"])


def test_a_glide_too_short_to_be_fitted_is_no_vibrato(tmp_path):
    """A pole of 12 ms from a semitone below, under every key but the first."""
    own = errors(9)
    presses = steady_presses(60, own, hold_s=0.45)
    bent = [replace(p, bend_cents=-100.0, bend_s=0.012) for p in presses[1:]]
    result = of_presses(tmp_path, [presses[0], *bent], lowest=60, keys=9)
    assert said(result, "as they are pressed, and then rests: a short glide")
    assert not said(result, "vibrato")
    assert "moves as they are pressed" in result.unsteady_keys.reason
    off = np.abs(result.keys["error_cents"] - own)
    # Nine of them: beyond 3u is one in 370 each.
    assert (off < 3 * result.keys["u_cents"]).all()
    assert off.max() < 0.03


@pytest.mark.parametrize(("glide_s", "within"), [(0.3, 0.1), (0.7, 60.0)])
def test_a_glide_that_outlasts_its_notes_is_known_or_known_to_be_unknown(measured, glide_s, within):
    """Notes of 0.5 s: 20 cents of 100 are left when they end, and 50."""
    result, off = measured(9, range(LOWEST, LOWEST + 6), told=6, glide_s=glide_s)
    assert np.abs(off).max() < within
    assert np.mean(np.abs(off) < 2 * result.keys["u_cents"]) > 0.8


def test_glide_left_on_makes_no_key_unsteady(measured):
    result, _ = measured(8, glide_s=0.03)
    assert set(result.keys["status"]) == {"ok"}
    assert "glide is on" in result.unsteady_keys.reason


def test_a_slow_vibrato_makes_every_key_as_uncertain_as_it_is(measured):
    result, off = measured(2, vibrato=(2.0, 0.9))
    assert said(result, "vibrato, a glide or another modulation")
    assert np.abs(off).max() > 0.5
    assert np.mean(np.abs(off) < 2 * result.keys["u_cents"]) > 0.9


def test_two_oscillators_are_told_and_how_far_they_are_apart(measured):
    """The middle of both is meant; the interval reaches to either."""
    result, off = measured(3, second_cents=8.0)
    (note,) = (n for n in result.notes if "two oscillators" in n)
    assert "8 cents apart" in note or "7.9 cents" in note or "8.1 cents" in note
    assert np.all(np.abs(off - 4.0) < 2 * result.keys["u_cents"])


def test_speech_before_the_sweep_is_no_key(measured):
    result, off = measured(4, before=lambda rng: np.concatenate([speech(rng), speech(rng)]))
    assert set(result.keys["status"]) == {"ok"}
    assert np.abs(off).max() < 0.1
    assert float(result.slow_keys) == 0


def test_an_octave_switch_that_is_turned_on_the_way(measured):
    result, off = measured(5, switch=(0.4 + 0.7 * 6, -1))
    assert said(result, "from G#3 on everything sounds 1 octave(s) lower")
    assert np.abs(off).max() < 0.1
    assert set(result.keys["status"]) == {"ok"}


def test_keys_beyond_those_told_of(measured):
    result, off = measured(6, told=10)
    assert said(result, "(C4, C#4, D4)")
    assert np.abs(off).max() < 0.1


def test_what_a_key_that_sounds_on_hides_is_not_called_silent(tmp_path):
    """Low-note priority: two keys above a stuck one change nothing."""
    rng = np.random.default_rng(7)
    keys = [k for k in range(LOWEST, LOWEST + KEYS) if k not in (55, 56)]
    presses = presses_of(range(LOWEST, LOWEST + KEYS))
    presses = [p for p in presses if p[2] in keys]
    at = next(i for i, p in enumerate(presses) if p[2] == 54)
    presses[at] = (presses[at][0], presses[at + 1][0] - 0.2, 54)
    sound = played(presses, rng, errors=dict.fromkeys(range(40, 80), 0.0))
    path = tmp_path / "keyboard-stuck.wav"
    wavfile.write(path, RATE, sound.astype(np.float32))
    result = measure_keyboard(sigkit.open_capture(path), lowest_key=LOWEST, keys=KEYS)
    table = result.keys
    assert result.dead_keys.value - result.dead_keys.expanded <= 0
    assert table["status"][4] == "stuck"
    assert [i for i, s in enumerate(table["status"]) if s == "missing"] == [5, 6]
    assert all("sounds on" in table["reason"][i] for i in (5, 6))


@pytest.mark.parametrize("shift", [0, 12])
def test_order_with_a_turned_switch_up_and_back(shift):
    keys = [*range(20), *range(19, -1, -1)]
    pitch = np.array(keys) + 0.03 * np.random.default_rng(1).standard_normal(40)
    pitch[25:] += 12
    order = order_of(pitch + shift, 20)
    assert list(order.key) == keys
    assert order.shift == shift
    assert order.octave == (0,) * 25 + (1,) * 15


def test_order_keeps_a_semitone_shift_for_a_fault_of_the_keys():
    """All keys from one on a semitone sharp: no key is beyond those told of."""
    pitch = np.arange(25.0)
    pitch[15:] += 1
    order = order_of(pitch, 25)
    assert list(order.key) == list(range(25))
    assert order.beyond == ()


def test_order_leaves_out_doubted_sounds():
    pitch = np.concatenate([[3.2, 7.7, 1.1], np.arange(13.0)])
    doubted = np.arange(16) < 3
    assert list(order_of(pitch, 13, doubted).key) == [-1, -1, -1, *range(13)]


JUMPS = {
    "from the middle up, then from the bottom": [*range(6, 13), *range(6)],
    "a key and its fifth, one after the other": [k + d for k in range(7) for d in (0, 7)],
}


@pytest.mark.parametrize("name", JUMPS)
def test_keys_played_in_no_order_are_put_to_the_nearest_in_pitch(tmp_path, name):
    order = JUMPS[name]
    own = errors(len(order))
    presses = steady_presses(45, np.zeros(len(order)), hold_s=0.35)
    played_so = [replace(p, key=45 + k, cents=own[k]) for p, k in zip(presses, order, strict=True)]
    result = of_presses(tmp_path, played_so, lowest=45, keys=len(own))
    assert result.keys["status"].tolist() == ["ok"] * len(own)
    np.testing.assert_allclose(result.keys["error_cents"], own, atol=0.01)
    assert said(result, "keys were not played in order")


def test_no_order_is_no_excuse_for_keys_elsewhere():
    """A switch on the way, a whole instrument a fourth up, and a step of half a semitone."""
    up = np.arange(24.0)
    switched = np.where(up < 12, up, up - 12)
    assert not order_of(switched, 24).by_pitch
    assert order_of(up[:12] + 5, 12).shift == 5
    middle = np.concatenate([up[6:12], up[:6]])
    assert order_of(middle, 12).by_pitch
    assert not order_of(np.where(middle < 6, middle, middle + 0.5), 12).by_pitch
