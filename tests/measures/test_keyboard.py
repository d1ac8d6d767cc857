"""Key sweeps of known truth: pitch of every key, its state, the scale, refusals, every field."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from keyboards import Instrument, Press, nominal_hz, random_sweep, render, steady_presses
from scipy.io import wavfile

import sigkit
from sigkit.errors import InputError, SignalError
from sigkit.measures import bench_test
from sigkit.measures.keyboard import measure_keyboard
from sigkit.measures.keyboard.result import COLUMNS, COUNTS

SAW = Instrument(rate=24_000)
C3 = 48


def measured(folder, presses, how=SAW, *, lowest=C3, keys=25, seed=1, tail_s=0.8, **dirt):
    rng = np.random.default_rng(seed)
    last = max(p.off_s for p in presses)
    sound = render(presses, how, last + tail_s, rng, **dirt)
    path = folder / f"keyboard-test{len(list(folder.glob('*.wav')))}.wav"
    wavfile.write(path, how.rate, sound.astype(np.float32))
    return measure_keyboard(sigkit.open_capture(path), lowest_key=lowest, keys=keys)


def errors(keys=25, seed=0, sd=2.0):
    return sd * np.random.default_rng(seed).standard_normal(keys)


@pytest.fixture(scope="module")
def sweeps(tmp_path_factory):
    """Six random sweeps of 37 keys, hum in half of them, beside their truth."""
    folder = tmp_path_factory.mktemp("sweeps")
    out = []
    for seed in range(9000, 9006):
        made = random_sweep(seed, hum_db=-40.0 if seed % 2 else -math.inf, down=False)
        capture = sigkit.open_capture(made.write(folder / f"{seed}.wav"))
        out.append((made, measure_keyboard(capture, lowest_key=made.lowest, keys=37)))
    return out


def test_every_key_is_right_to_a_tenth_of_a_cent(sweeps):
    for made, result in sweeps:
        sounded = (made.keys["status"] != "missing").to_numpy()
        off = (result.keys["error_cents"] - made.keys["error_cents"]).to_numpy()
        assert np.abs(off[sounded]).max() < 0.1
        assert np.isnan(off[~sounded]).all()


def test_every_fault_is_named_and_hardly_one_invented(sweeps):
    """The last key may sound on without a next one that shows it; it is left out."""
    false = told = faults = 0
    for made, result in sweeps:
        for truth, found in list(zip(made.keys["status"], result.keys["status"], strict=True))[:-1]:
            if truth == "ok":
                false += found != "ok"
            else:
                faults, told = faults + 1, told + (found == truth)
    assert faults >= 30
    assert told >= faults - 1
    assert false <= 1


def test_stated_uncertainty_covers_the_truth(sweeps):
    """Of some 200 keys 95 % less three binomial standard deviations."""
    z = np.concatenate(
        [
            ((r.keys["error_cents"] - m.keys["error_cents"]) / r.keys["u_cents"]).to_numpy()
            for m, r in sweeps
        ]
    )
    z = z[np.isfinite(z)]
    assert np.mean(np.abs(z) <= 2) > 0.95 - 3 * math.sqrt(0.05 * 0.95 / z.size)


def test_scale_and_offset_hold_the_planted_line(sweeps):
    held = [
        abs(float(q) - made.keys.attrs[name]) <= q.expanded
        for made, r in sweeps
        for q, name in ((r.scale_error, "slope"), (r.offset, "offset"))
    ]
    assert sum(held) >= len(held) - 2


def test_two_notes_that_sound_together_are_each_as_good(sweeps):
    """Stuck keys sound under the next ones for up to five of them."""
    under = []
    for made, result in sweeps:
        for stuck in (p for p in made.presses if p.off_s - p.on_s > 1.0):
            others = [p.key for p in made.presses if stuck.on_s < p.on_s < stuck.off_s]
            under += [
                abs(
                    result.keys["error_cents"][k - made.lowest]
                    - made.keys["error_cents"][k - made.lowest]
                )
                for k in others
            ]
    assert len(under) >= 10
    assert max(under) < 0.05


@pytest.mark.parametrize("seed", [980_002, 980_015])
def test_low_sines_over_hum_are_as_good(tmp_path, seed):
    """From 44 Hz up at -40 dB of hum: a soft key in a release, bends, one over a stuck key."""
    made = random_sweep(seed, wave="sine", lowest=29, hum_db=-40.0)
    capture = sigkit.open_capture(made.write(tmp_path / "keyboard-low.wav"))
    result = measure_keyboard(capture, lowest_key=29, keys=37)
    sounded = (made.keys["status"] != "missing").to_numpy()
    off = (result.keys["error_cents"] - made.keys["error_cents"]).to_numpy()
    assert np.abs(off[sounded]).max() < 0.1
    assert result.keys["status"].tolist()[:-1] == made.keys["status"].tolist()[:-1]


def test_two_stuck_keys_between_dead_ones_shift_nothing(tmp_path):
    """At 46 and 52 Hz, sines over hum: what is left of one shows once the other is taken out."""
    made = random_sweep(990_009, wave="sine", lowest=29, hum_db=-40.0)
    path = made.write(tmp_path / "keyboard.wav")
    result = sigkit.measure_keyboard(sigkit.open_capture(path), lowest_key=29, keys=37)
    own, true = result.keys.iloc[:14], made.keys.iloc[:14]
    assert list(own["status"]) == list(true["status"])
    off = (own["error_cents"] - true["error_cents"])[true["status"] != "missing"]
    assert off.abs().max() < 0.1
    assert result.dead_keys.value == (made.keys["status"] == "missing").sum()
    hidden = own["reason"][own["reason"].str.contains("under a key that sounds on")]
    assert len(hidden) == 1
    assert str(result.dead_keys) == "2 (1 to 2)"  # one of them may only be hidden


def test_two_keys_that_stick_at_the_end_leave_no_note_of_their_own(tmp_path):
    """What the end of the last one leaves, between its pitch and the next, was a press of that."""
    made = random_sweep(1_318_007, wave="sine", lowest=29, hum_db=-40.0)
    path = made.write(tmp_path / "keyboard.wav")
    result = sigkit.measure_keyboard(sigkit.open_capture(path), lowest_key=29, keys=37)
    off = (result.keys["error_cents"] - made.keys["error_cents"])[33:]
    assert off.abs().max() < 0.1
    assert result.keys["presses"][35] == 2


def test_a_bounce_over_a_stuck_key_is_seen(tmp_path):
    presses = steady_presses(C3, errors(), hold_s=0.6, gap_s=0.25)
    presses[6] = replace(presses[6], off_s=presses[9].off_s)
    presses[8] = replace(presses[8], contact_s=0.0012, open_s=0.010)
    keys = measured(tmp_path, presses).keys
    assert keys["status"][6] == "stuck"
    assert keys["status"][8] == "double trigger"
    assert keys["open_s"][8] == pytest.approx(0.0112, abs=0.001)
    assert (keys["status"].drop([6, 8]) == "ok").all()


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
        assert "contact opens" in row.reason
    assert result.double_triggers.value == 4


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


def test_every_field(tmp_path):
    result = measured(tmp_path, steady_presses(C3, errors(), hold_s=0.4), hum_db=-40.0)
    keys = result.keys
    assert tuple(keys.columns) == COLUMNS
    assert keys["key"].tolist() == list(range(1, 26))
    assert keys["note"].tolist()[:3] == ["C3", "C#3", "D3"]
    np.testing.assert_allclose(keys["nominal_hz"], [nominal_hz(C3 + k) for k in range(25)])
    cents = 1200 * np.log2(keys["frequency_hz"] / keys["nominal_hz"])
    np.testing.assert_allclose(keys["error_cents"], cents, atol=1e-9)
    np.testing.assert_allclose(keys["departure_cents"], keys["error_cents"] - result.line_cents)
    # A level of 0.1 rms reads -17 dBFS as AES17 has it: a full-scale sine is 0 dBFS.
    np.testing.assert_allclose(keys["level_dbfs"], -16.99, atol=0.1)
    np.testing.assert_allclose(keys["level_db"], 0.0, atol=0.1)
    np.testing.assert_allclose(keys["speaks_after_s"], SAW.attack_s * math.log(10), rtol=0.25)
    assert np.abs(keys["late_s"]).max() < 0.005
    assert (keys["settles_after_s"] == 0).all()
    assert (keys["bend_cents"] == 0).all()
    assert keys["open_s"].isna().all()
    assert (keys["stuck_for_s"] == 0).all()
    np.testing.assert_allclose(keys["onset_s"], 0.6 + 0.6 * np.arange(25), atol=0.002)
    assert (keys["reason"] == "").all()
    assert keys[["down_cents", "u_down_cents"]].isna().all(axis=None)
    for name in COUNTS:
        assert getattr(result, name).value == 0
    assert result.scatter.value == pytest.approx(2.0, rel=0.5)
    assert result.curvature.measurable
    assert not result.up_down_difference.measurable
    assert not result.hold_droop.measurable
    assert any("hum at 50.0" in n for n in result.notes)
    assert result.settings == {"lowest_key": "C3", "keys": 25}
    assert json.loads(json.dumps(result.to_dict()))["tables"]["keys"]["note"][0] == "C3"
    judged = {j.quantity for j in bench_test("keyboard").judged}
    assert judged == set(result.quantities())
    assert result.another_capture() == {}


def test_chance_of_the_presses_is_in_a_comparison(sweeps):
    _, result = next(pair for pair in sweeps if float(pair[1].double_triggers) > 0)
    n = float(result.double_triggers)
    assert result.another_capture()["double_triggers"].u == pytest.approx(math.sqrt(n))


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({}, "lowest_key is missing"),
        ({"lowest_key": "C2"}, "keys is missing"),
        ({"lowest_key": "H2", "keys": 37}, "note name or a MIDI note number"),
        ({"lowest_key": 200, "keys": 37}, "note name or a MIDI note number"),
        ({"lowest_key": "C2", "keys": 0}, "keys must be a whole number"),
        ({"lowest_key": "C2", "keys": 3.5}, "keys must be a whole number"),
    ],
)
def test_refuses_options_without_sense(tmp_path, options, words):
    path = tmp_path / "keyboard-x.wav"
    wavfile.write(path, 8000, np.zeros(8000, np.float32))
    with pytest.raises(InputError, match=words):
        measure_keyboard(sigkit.open_capture(path), **options)


def test_refuses_noise_and_captures_that_are_no_sweep(tmp_path):
    path = tmp_path / "keyboard-noise.wav"
    noise = 0.1 * np.random.default_rng(0).standard_normal(16_000)
    wavfile.write(path, 8000, noise.astype(np.float32))
    with pytest.raises(SignalError, match="No note"):
        measure_keyboard(sigkit.open_capture(path), lowest_key="C2", keys=37)
    path = tmp_path / "keyboard-long.wav"
    wavfile.write(path, 8000, np.zeros(8000 * 1801, np.int16))
    with pytest.raises(SignalError, match="a key sweep is read up to 30 min"):
        measure_keyboard(sigkit.open_capture(path), lowest_key="C2", keys=37)
