"""One fault at a time, planted in a short sweep: dead, doubled, stuck, late, slow, out of order."""

import math
from dataclasses import replace

import numpy as np
import pytest
from key_sweeps import C3, SAW, errors, measured
from keyboards import Instrument, Press, render, steady_presses
from scipy.io import wavfile

import sigkit
from sigkit.measures.keyboard import measure_keyboard
from sigkit.measures.keyboard.result import COUNTS


@pytest.mark.parametrize("missing", [(0,), (24,), (11,), (0, 1, 24), (5, 6)])
def test_a_dead_key_does_not_shift_the_rest(tmp_path, missing):
    own = errors()
    presses = [p for p in steady_presses(C3, own, hold_s=0.35) if p.key - C3 not in missing]
    result = measured(tmp_path, presses)
    dead = np.flatnonzero(result.keys["status"] == "missing")
    assert tuple(dead) == missing
    assert result.dead_keys.value == len(missing)
    np.testing.assert_allclose(
        np.delete(result.keys["error_cents"], dead), np.delete(own, dead), atol=0.01
    )


def test_wrong_order_and_a_key_played_twice_are_said(tmp_path):
    """Keys 9 and 10 swapped, key 15 twice, key 20 dead."""
    own = errors()
    order = [*range(8), 9, 8, *range(10, 15), 14, *range(15, 19), *range(20, 25)]
    presses = [
        Press(key=C3 + k, cents=own[k], on_s=0.5 + 0.5 * i, off_s=0.9 + 0.5 * i)
        for i, k in enumerate(order)
    ]
    result = measured(tmp_path, presses)
    assert result.keys["status"].tolist() == ["ok"] * 19 + ["missing"] + ["ok"] * 5
    known = np.delete(np.arange(25), 19)
    np.testing.assert_allclose(result.keys["error_cents"][known], own[known], atol=0.01)
    assert result.keys["presses"].tolist() == [1] * 14 + [2] + [1] * 4 + [0] + [1] * 5
    said = " ".join(result.notes)
    assert "A3 before G#3" in said
    assert (result.keys["late_s"][[8, 9]].isna()).all()  # out of order is not late
    assert "played more than once in a sweep: D4" in said


def test_up_and_down_apart(tmp_path):
    """Down every key is 1.5 cents flatter: leakage."""
    own = errors(13)
    up = steady_presses(C3, own, hold_s=0.4, gap_s=0.12)
    after = up[-1].off_s + 0.12
    down = [
        replace(p, cents=p.cents - 1.5, on_s=after + 0.52 * i, off_s=after + 0.52 * i + 0.4)
        for i, p in enumerate(up[::-1])
    ]
    result = measured(tmp_path, up + down, keys=13)
    assert result.up_down_difference.value == pytest.approx(1.5, abs=0.01)
    np.testing.assert_allclose(result.keys["up_cents"], own, atol=0.01)
    np.testing.assert_allclose(result.keys["down_cents"], own - 1.5, atol=0.01)
    np.testing.assert_allclose(result.keys["error_cents"], own - 0.75, atol=0.01)
    assert (result.keys["u_cents"] > 0.5).all()  # the presses disagree
    assert (result.keys[["u_up_cents", "u_down_cents"]] < 0.01).all(axis=None)


def test_a_plateau_without_a_dip_is_a_double_trigger(tmp_path):
    """Release 0.1 s: while the contact is open the level falls by 2 to 18 %."""
    presses = steady_presses(C3, errors(), hold_s=0.4, gap_s=0.5)
    how = replace(SAW, release_s=0.1)
    opens = {3: 0.003, 9: 0.006, 14: 0.012, 21: 0.019}
    for k, open_s in opens.items():
        presses[k] = replace(presses[k], contact_s=0.0012, open_s=open_s)
    result = measured(tmp_path, presses, how)
    doubled = result.keys[result.keys["status"] == "double trigger"]
    assert (doubled["key"] - 1).tolist() == list(opens)
    for row, open_s in zip(doubled.itertuples(), opens.values(), strict=True):
        assert row.open_s == pytest.approx(open_s + 0.0012, abs=0.0015)
        assert "two attacks" in row.reason
    assert result.double_triggers.value == 4


@pytest.mark.parametrize(("contact_s", "open_s"), [(0.016, 0.010), (0.019, 0.019), (0.008, 0.015)])
def test_a_long_first_contact_is_a_double_trigger(tmp_path, contact_s, open_s):
    presses = steady_presses(45, errors(8), hold_s=0.4, gap_s=0.3)
    presses[5] = replace(presses[5], contact_s=contact_s, open_s=open_s)
    how = Instrument(wave="triangle", rate=24_000, attack_s=0.002, release_s=0.004)
    result = measured(tmp_path, presses, how=how, keys=8, lowest=45)
    assert result.keys["status"].tolist() == ["ok"] * 5 + ["double trigger"] + ["ok"] * 2
    assert result.keys["open_s"][5] == pytest.approx(contact_s + open_s, abs=0.0015)


def test_slow_attack_cannot_show_double_triggers(tmp_path):
    presses = steady_presses(C3, errors(), hold_s=0.4, gap_s=0.3)
    presses[7] = replace(presses[7], contact_s=0.001, open_s=0.01)
    result = measured(tmp_path, presses, replace(SAW, attack_s=0.025))
    assert "not testable with this patch" in result.double_triggers.reason
    assert any("double triggers not testable with this patch" in n for n in result.notes)
    assert (result.keys["status"] == "ok").all()


def test_legato_gives_pitches_and_says_so(tmp_path):
    own = errors()
    presses = steady_presses(C3, own, hold_s=0.6, legato=True)
    result = measured(tmp_path, presses, replace(SAW, release_s=0.002))
    assert any(n.startswith("notes not separated") for n in result.notes)
    np.testing.assert_allclose(result.keys["error_cents"], own, atol=0.1)
    for name in COUNTS[1:]:
        assert "notes not separated" in getattr(result, name).reason
    assert result.keys["settles_after_s"].isna().all()
    assert result.keys["speaks_after_s"].isna().all()


def test_stuck_where_one_note_sounds_at_a_time(tmp_path):
    """The last key has the voice; between the others it falls back to the one that is stuck."""
    own = errors()
    presses = steady_presses(C3, own, hold_s=0.5, gap_s=0.2)
    p = presses[8]
    presses[8] = replace(p, off_s=presses[9].on_s)
    voices = presses + [
        replace(p, on_s=presses[k].off_s, off_s=presses[k + 1].on_s) for k in (9, 10)
    ]
    result = measured(tmp_path, sorted(voices, key=lambda v: v.on_s), replace(SAW, release_s=0.002))
    assert result.keys["status"][8] == "stuck"
    assert result.stuck_keys.value == 1
    np.testing.assert_allclose(result.keys["error_cents"], own, atol=0.05)


def test_slow_late_and_unsteady_keys(tmp_path):
    presses = steady_presses(C3, errors(), hold_s=0.5, gap_s=0.2)
    presses[4] = replace(presses[4], on_s=presses[4].on_s + 0.12)
    presses[10] = replace(presses[10], bend_cents=18.0, bend_s=0.06)
    presses[16] = replace(presses[16], bend_cents=-2.0, bend_s=0.06)
    result = measured(tmp_path, presses)
    assert "late against an even rhythm" in result.keys["reason"][4]
    assert result.keys["late_s"][4] == pytest.approx(0.12, abs=0.01)
    assert result.slow_keys.value == 1
    assert result.keys["status"][10] == "unsteady"
    assert result.keys["bend_cents"][10] == pytest.approx(18.0, rel=0.1)
    assert result.keys["settles_after_s"][10] == pytest.approx(0.06 * math.log(6), abs=0.01)
    assert result.unsteady_keys.value == 1
    np.testing.assert_allclose(result.keys["error_cents"], errors(), atol=0.05)


def test_a_key_that_speaks_slowly(tmp_path):
    """Key 13 has a slow attack of its own: two sounds are laid together."""
    presses = steady_presses(C3, errors(), hold_s=0.5, gap_s=0.3)
    slow = render(
        [presses[12]],
        replace(SAW, attack_s=0.02),
        presses[-1].off_s + 1.0,
        np.random.default_rng(0),
        snr_db=90.0,
    )
    rest = [p for k, p in enumerate(presses) if k != 12]
    fast = render(rest, SAW, presses[-1].off_s + 1.0, np.random.default_rng(1))
    path = tmp_path / "keyboard-slow.wav"
    wavfile.write(path, SAW.rate, (slow + fast).astype(np.float32))
    result = measure_keyboard(sigkit.open_capture(path), lowest_key="C3", keys=25)
    assert "slow to speak" in result.keys["reason"][12]
    assert result.keys["speaks_after_s"][12] == pytest.approx(0.02 * math.log(10), rel=0.2)
    assert result.slow_keys.value == 1
    assert result.keys["status"][12] == "ok"


def test_one_key_off_and_all_above_off(tmp_path):
    own = errors(sd=0.4)
    own[6] += 12.0
    alone = measured(tmp_path, steady_presses(C3, own, hold_s=0.4, gap_s=0.12))
    assert "this key alone is off by" in alone.keys["reason"][6]
    assert alone.worst_key.value == pytest.approx(12.0, abs=1.0)
    assert not alone.shift.measurable
    own[6] -= 12.0
    own[10:] += 9.0
    above = measured(tmp_path, steady_presses(C3, own, hold_s=0.4, gap_s=0.12))
    assert "this key and all above are off by" in above.keys["reason"][10]
    assert above.shift.value == pytest.approx(9.0, abs=1.5 * above.shift.expanded)  # three u
    assert abs(above.scale_error.value) < above.scale_error.expanded + 0.1


def test_droop_of_a_note_that_is_left_to_sound(tmp_path):
    """30 cents a minute are 0.5 cents/s."""
    presses = [Press(key=C3, on_s=0.5, off_s=8.5), Press(key=C3 + 24, on_s=10.0, off_s=18.0)]
    result = measured(tmp_path, presses, drift_cents_per_min=-30.0)
    assert result.hold_droop.value == pytest.approx(-0.5, abs=0.01)
    assert abs(result.hold_droop.value + 0.5) < max(result.hold_droop.expanded, 0.002)
    assert result.keys["key"].tolist() == [1, 25]
    assert not result.dead_keys.measurable
    assert any("left to sound" in n for n in result.notes)


@pytest.mark.parametrize(
    ("cents", "words"), [(1200.0, "1 octave(s) above"), (100.0, "+1 semitone(s) off")]
)
def test_octave_switch_and_semitone(tmp_path, cents, words):
    own = errors(13)
    presses = [replace(p, cents=p.cents + cents) for p in steady_presses(C3, own, hold_s=0.4)]
    result = measured(tmp_path, presses, keys=13)
    assert any(words in n for n in result.notes)
    expected = own if cents == 1200 else own + cents
    np.testing.assert_allclose(result.keys["error_cents"], expected, atol=0.01)


def test_a_key_that_sounds_on_softly(tmp_path):
    """A contact that leaks: 18 dB below its own level under the next three keys."""
    presses = steady_presses(C3, errors(13, seed=2))
    soft = replace(presses[4], on_s=presses[4].on_s + 0.002, off_s=presses[7].off_s, level_db=-18.0)
    result = measured(tmp_path, [*presses, soft], keys=13)
    assert result.keys["status"].tolist() == ["ok"] * 4 + ["stuck"] + ["ok"] * 8
    assert result.keys["stuck_for_s"][4] == pytest.approx(2.7, abs=0.4)


def test_a_clean_sweep_says_down_to_which_level_a_stuck_key_would_show(tmp_path):
    """Releases that fill the gaps, so that no quiet tells; 5 dB above what is said, and at -45 dB.

    5 dB: a soft key beats with what is beside it, at most as large as 1/3 of it, 2.5 to 3.5 dB,
    and the level is told in whole decibels and of 9 keys in 10. Amplitudes below 0.018 (35 dB) are
    never taken for a note.
    """
    how = replace(SAW, release_s=0.05)
    presses = steady_presses(C3, errors(8, seed=2), hold_s=0.5)
    clean = measured(tmp_path, presses, how, keys=8)
    said = [n for n in clean.notes if n.startswith("stuck keys would be seen down to")]
    assert len(said) == 1
    level_db = float(said[0].split("down to ")[1].split(" dB")[0])
    assert 6 < level_db <= 35
    own = presses[3]
    on_and_off = {"on_s": own.on_s + 0.002, "off_s": presses[6].off_s}
    for below_db, status in ((level_db - 5, "stuck"), (45, "ok")):
        soft = replace(own, level_db=-below_db, **on_and_off)
        result = measured(tmp_path, [*presses, soft], how, keys=8)
        assert result.keys["status"].tolist() == ["ok"] * 3 + [status] + ["ok"] * 4


def test_a_long_release_is_the_patch_and_no_stuck_key(tmp_path):
    slow = Instrument(wave="saw", rate=24_000, release_s=1.0)
    result = measured(tmp_path, steady_presses(45, errors(8)), how=slow, keys=8, lowest=45)
    assert "most notes sound on" in result.stuck_keys.reason
    assert not (result.keys["status"] == "stuck").any()


@pytest.mark.parametrize("seed", [8, 9])
def test_a_coupling_that_settles_is_no_double_trigger(tmp_path, seed):
    """Sines from F1 behind 5 Hz; of a true bounce among them the contact opens for 9 ms."""
    sine = Instrument(wave="sine", rate=24_000, attack_s=0.001, release_s=0.045)
    presses = steady_presses(29, errors(13, seed=3))
    presses[9] = replace(presses[9], contact_s=0.001, open_s=0.009)
    options = {"keys": 13, "lowest": 29, "couple_hz": 5.0, "seed": seed}
    result = measured(tmp_path, presses, how=sine, **options)
    doubled = [k for k, s in enumerate(result.keys["status"]) if s == "double trigger"]
    assert doubled == [9]
    assert result.keys["open_s"][9] == pytest.approx(0.010, abs=0.002)
