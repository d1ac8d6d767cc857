"""Stuck keys near the ends of a sweep and where it turns back."""

from dataclasses import replace

import numpy as np
import pytest
from key_sweeps import SAW, errors, measured
from keyboards import Instrument, Press

SINE = Instrument(wave="sine", rate=24_000, attack_s=0.0012, release_s=0.025)
KEYS, HOLD_S, STEP_S = 6, 0.45, 0.65


def played(order, *, lowest=48, stuck=(), dead=(), seed=3):
    """Presses in order, every 0.65 s; ``stuck``: a key's first press, and how long it sounds."""
    own, left, out = errors(KEYS, seed=seed), dict(stuck), []
    for i, k in enumerate(order):
        on = 0.6 + STEP_S * i
        if k in dead or any(p.key == lowest + k and p.off_s > on for p in out):
            continue
        held = left.pop(k, HOLD_S)
        out.append(Press(key=lowest + k, cents=own[k], on_s=on, off_s=on + held))
    return out, own


UP, BACK = list(range(KEYS)), list(range(KEYS))[::-1]
CASES = {
    # Third from the top, the top one dead: alone after its neighbour, quiet, then both once more.
    "under the turn": (UP + BACK, {"stuck": {3: 2.4}, "dead": {5}}, SAW, 55, [3]),
    # Over before its neighbour's time to the next key: both seem to be one long note.
    "first, and over within the second": (UP, {"stuck": {0: 1.0}}, SAW, 60, [0]),
    "last but one, before the turn": (UP + BACK[1:], {"stuck": {4: 1.0}}, SINE, 40, [4]),
    "two at the bottom of the turn": (BACK + UP, {"stuck": {2: 1.75, 1: 1.1}}, SINE, 30, [1, 2]),
    "none, turned back at once": (UP + BACK, {}, SINE, 33, []),
}


@pytest.mark.parametrize("name", CASES)
def test_stuck_keys_are_named_and_no_others(tmp_path, name):
    order, more, how, lowest, stuck = CASES[name]
    presses, own = played(order, lowest=lowest, **more)
    result = measured(tmp_path, presses, how, lowest=lowest, keys=KEYS)
    dead = more.get("dead", set())
    expected = ["stuck" if k in stuck else "missing" if k in dead else "ok" for k in range(KEYS)]
    assert result.keys["status"].tolist() == expected
    sounded = [k for k in range(KEYS) if k not in dead]
    # The project's aim: every key to a tenth of a cent.
    np.testing.assert_allclose(result.keys["error_cents"][sounded], own[sounded], atol=0.1)


def test_two_that_beat_as_one_long_note_are_two(tmp_path):
    """The first key ends within the second, and no rise of the level nor a pitch parts them."""
    pulse = Instrument(
        wave="pulse", duty=0.307, rate=24_000, attack_s=0.0013, release_s=0.047, cutoff_hz=2500.0
    )
    held = [
        (0.856, 1.852),
        (1.502, 1.97),
        (2.185, 2.637),
        (2.802, 3.263),
        (3.541, 3.974),
        (4.154, 4.59),
    ]
    level_db = [-0.3, -1.0, -1.1, -0.1, -0.6, 1.1]
    presses = [
        Press(key=52 + k, on_s=on, off_s=off, level_db=level_db[k], cents=-12.0)
        for k, (on, off) in enumerate(held)
    ]
    result = measured(tmp_path, presses, pulse, lowest=52, keys=6, seed=3)
    assert result.keys["status"].tolist() == ["stuck"] + ["ok"] * 5
    np.testing.assert_allclose(result.keys["error_cents"], -12.0, atol=0.1)


def test_a_key_pressed_again_soon_is_not_stuck(tmp_path):
    """Twice the top key, the second time 0.12 s after the first, over a release of 0.1 s."""
    presses, _ = played([*UP, KEYS - 1], lowest=52)
    last = presses[-1]
    presses[-1] = replace(last, on_s=presses[-2].off_s + 0.12, off_s=presses[-2].off_s + 0.57)
    result = measured(tmp_path, presses, replace(SAW, release_s=0.1), lowest=52, keys=KEYS)
    assert result.keys["status"].tolist() == ["ok"] * KEYS
