"""Key sweeps of known truth: pitch of every key, its state, the scale, refusals, every field."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from key_sweeps import C3, SAW, errors, measured
from keyboards import nominal_hz, random_sweep, steady_presses
from scipy.io import wavfile

import sigkit
from sigkit.errors import InputError, SignalError
from sigkit.measures import bench_test
from sigkit.measures.keyboard import measure_keyboard
from sigkit.measures.keyboard.result import COLUMNS, COUNTS


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
