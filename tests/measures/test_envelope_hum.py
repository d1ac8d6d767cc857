"""Hum at the carrier itself: told from it where the wave allows, else said."""

import math

import numpy as np
import pytest
from envelope_cases import compared, random_case
from envelopes import Plant, take, write_take

from sigkit.captures.wav import open_capture
from sigkit.measures.envelope import measure_envelope

GATES = [(0.8, 1.9)]
LEVEL_DBFS = 20 * math.log10(0.2 * math.sqrt(2))
"""Peak of every note: an rms of 0.2, a full-scale sine being 0 dBFS (AES17)."""


def measured(folder, seed, *, leak=0.0, **kwargs):
    plant = Plant(to_peak_s=0.05, sustain=0.6, release_s=0.15, leak=leak)
    made = take(plant, GATES, 3.6, rng=np.random.default_rng(seed), **kwargs)
    return made.notes[0], measure_envelope(open_capture(write_take(folder, made)))


@pytest.mark.parametrize(
    ("wave", "hz", "leak_db"),
    [("saw", 50.0, None), ("pulse", 100.0, None), ("saw", 150.0, -50.0)],
)
def test_a_note_on_a_line_of_hum_is_told_by_its_wave(tmp_path, wave, hz, leak_db):
    """Lines up to -40 dB re the note; without the wave, -40 dB came 13 to 16 % early."""
    leak = 0.0 if leak_db is None else 10 ** (leak_db / 20)
    note, result = measured(tmp_path, 4, wave=wave, hz=hz, hum_db=-40, leak=leak)
    assert result.release_20.value == pytest.approx(note.crossings_s[20], rel=0.002)
    assert result.release_40.value == pytest.approx(note.crossings_s[40], rel=0.01)
    peak = LEVEL_DBFS + 20 * math.log10(1 + leak)
    assert result.peak.value == pytest.approx(peak, abs=0.003)


def test_a_sine_in_step_with_the_hum_is_not_told_from_it(tmp_path):
    _, result = measured(tmp_path, 1, wave="sine", hz=50.0, hum_db=-40)
    for name in ("attack", "peak", "sustain", "release_20", "release_40"):
        quantity = getattr(result, name)
        assert not quantity.measurable
        assert "lies at the carrier of 50.00 Hz" in quantity.reason, name


def test_weak_hum_in_step_makes_numbers_unsure(tmp_path):
    """Hum of -66 dB at 100 Hz, in step with a sine of 100 Hz, of any phase."""
    note, result = measured(tmp_path, 2, wave="sine", hz=100.0, hum_db=-63)
    for name, truth in (("release_20", note.crossings_s[20]), ("peak", LEVEL_DBFS)):
        quantity = getattr(result, name)
        assert abs(quantity.value - truth) <= quantity.expanded, name
    u = result.notes["u_peak_dbfs"].iloc[0]
    assert u > 20 / math.log(10) * 1e-4


def test_mains_that_move_under_the_notes_are_followed(tmp_path):
    """By 100 mHz in 7 s at -40 dB; at one frequency a stretch, crossings to 60 dB were 4 % off."""
    plant = Plant(to_peak_s=0.05, sustain=0.6, release_s=0.15)
    made = take(
        plant,
        [(0.9, 2.0), (4.3, 5.4)],
        7.0,
        hz=98.0,
        hum_db=-40,
        mains_move_hz=0.1,
        rng=np.random.default_rng(6),
    )
    notes = measure_envelope(open_capture(write_take(tmp_path, made))).notes
    for name, truths in (
        ("release_40_s", [n.crossings_s[40] for n in made.notes]),
        ("release_s", [n.crossings_s[60] for n in made.notes]),
        ("gate_off_s", [n.gate_off_s for n in made.notes]),
    ):
        assert (np.abs(notes[name] - truths) < 3 * notes[f"u_{name}"]).all(), name
    assert notes["release_s"].to_numpy() == pytest.approx(made.notes[0].crossings_s[60], rel=0.01)


def test_a_leak_is_not_taken_for_hum(tmp_path):
    leak = 10 ** (-50 / 20)
    note, result = measured(tmp_path, 3, hz=200.0, leak=leak)
    assert result.release_40.value == pytest.approx(note.crossings_s[40], rel=0.01)
    assert not any("hum" in remark for remark in result.said)


def test_a_low_note_of_few_periods_keeps_its_attack(tmp_path):
    """33 periods held, an attack of 1.4 of them beside a decay of 4: the wave is learned twice.

    Learned once, with straight levels within each period, it put the rise 0.5 to 1.5 % off.
    """
    plant = Plant(to_peak_s=0.014, decay_s=0.04, sustain=0.5, release_s=0.05)
    made = take(
        plant,
        [(0.65, 1.0), (1.55, 1.9)],
        2.6,
        wave="pulse",
        hz=96.95,
        snr_db=63.0,
        duty=0.35,
        rng=np.random.default_rng(5),
    )
    notes = measure_envelope(open_capture(write_take(tmp_path, made))).notes
    note = made.notes[0]
    assert notes["onset_to_peak_s"].to_numpy() == pytest.approx(
        note.peak_s - note.onset_s, rel=0.001
    )
    assert notes["attack_s"].to_numpy() == pytest.approx(note.attack_s, rel=0.001)
    assert notes["misfit"].max() < 4


def test_mains_that_swing_between_notes_make_none(tmp_path):
    """By 100 mHz every 7 s, hum at -40 dB: each fall but the first ended in up to eight notes."""
    plant = Plant(to_peak_s=0.05, release_s=0.12)
    gates = [(0.9, 1.5), (2.9, 3.5), (4.9, 5.5)]
    made = take(plant, gates, 7.0, hz=330.0, rng=np.random.default_rng(8))
    t = np.arange(made.samples.size) / made.rate
    turns = 50 * t - 0.1 * 7 / (2 * np.pi) * np.cos(2 * np.pi * t / 7 + 1)
    for order, size in ((1, 1.0), (2, 0.7), (3, 0.4)):
        made.samples[:] += 0.002 * math.sqrt(2) * size * np.cos(2 * np.pi * order * turns + order)
    notes = measure_envelope(open_capture(write_take(tmp_path, made))).notes
    assert notes["onset_s"].to_numpy() == pytest.approx([on for on, _ in gates], abs=1e-3)


def test_the_end_of_a_release_is_not_taken_for_hum(tmp_path):
    """A sine of 295 Hz falling beside the sixth line of 50 Hz: -40 dB came 0.13 and 0.27 % late.

    Drawn at random by the benchmark, before it was looked at.
    """
    case = random_case(5953062, "no decay")
    notes = measure_envelope(open_capture(write_take(tmp_path, case.made))).notes
    truth = [note.crossings_s[40] for note in case.made.notes]
    assert notes["release_40_s"].to_numpy() == pytest.approx(truth, rel=1e-3)


def test_a_leak_beside_the_mains_is_no_hum(tmp_path):
    """A sine of 57 Hz that drifts and leaks at -50 dB, without hum: 59.76 Hz was taken out of it.

    That moved the crossing at -40 dB by 7 % at 9 u. Drawn at random.
    """
    case = random_case(7310171, "leak")
    result = measure_envelope(open_capture(write_take(tmp_path, case.made)))
    rows = [
        r for r in compared(case, result.notes) if r["name"] in ("release_20_s", "release_40_s")
    ]
    assert len(rows) == 4
    assert all(abs(row["z"]) < 3 for row in rows)
