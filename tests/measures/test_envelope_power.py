"""Notes of noise, and others of which only the power is known: what is told, what is refused."""

from functools import partial

import envelope_cases
import numpy as np
import pytest
from envelope_cases import compared, random_case
from envelopes import Plant, take, write_take

from sigkit.captures.wav import open_capture
from sigkit.measures.envelope import measure_envelope
from sigkit.tracks.envelope.power import NOISE_STEP_S, power_track


def measured(folder, made):
    return measure_envelope(open_capture(write_take(folder, made)))


def test_a_noise_carrier_is_measured_by_its_power(tmp_path):
    plant = Plant(to_peak_s=0.2, decay_s=0.2)
    made = take(
        plant, [(1.0, 2.6), (4.0, 5.6)], 7.5, noise_carrier=True, rng=np.random.default_rng(7)
    )
    result = measured(tmp_path, made)
    assert set(result.notes["method"]) == {"power"}
    assert result.notes["carrier_hz"].isna().all()
    assert result.attack.value == pytest.approx(made.notes[0].attack_s, rel=0.1)
    assert result.sustain.value == pytest.approx(-6.02, abs=0.3)
    assert result.release_time_constant.value == pytest.approx(0.1, rel=0.05)
    assert result.release_20.value == pytest.approx(made.notes[0].crossings_s[20], rel=0.08)
    assert any("by power alone" in remark for remark in result.said)


def test_what_is_said_of_noise_holds(tmp_path):
    """Three presses without a decay, where noise hides the corner of the attack.

    Neither the block of a millisecond that holds a corner, nor a rise that goes on to its level
    for ever, is certain: onsets had been off by 5 u, the end of the attack by 600 u. Of 3 by 6
    numbers one may lie beyond 2 u, none beyond 4.
    """
    plant = Plant(to_peak_s=0.19, aim=1.2, attack_release=True, release_s=0.055)
    gates = [(0.61, 1.54), (2.13, 3.07), (3.7, 4.7)]
    made = take(
        plant, gates, 5.6, noise_carrier=True, snr_db=41.0, rng=np.random.default_rng(7500001)
    )
    table = measured(tmp_path, made).notes
    z = []
    for note, (_, row) in zip(made.notes, table.iterrows(), strict=True):
        for name, truth in (
            ("onset_s", note.onset_s),
            ("attack_s", note.attack_s),
            ("onset_to_peak_s", note.peak_s - note.onset_s),
            ("gate_off_s", note.gate_off_s),
            ("release_20_s", note.crossings_s[20]),
            ("release_time_constant_s", 0.055),
        ):
            z.append((row[name] - truth) / row[f"u_{name}"])
    z = np.abs(np.array(z)[np.isfinite(z)])
    assert z.size >= 15
    assert np.count_nonzero(z > 2) <= 2
    assert z.max() < 4
    assert table["release_s"].isna().all()
    assert table["reason"].str.contains("noise carrier|does not fall by 60 dB").all()


@pytest.mark.parametrize(
    ("seed", "kind"), [(7500001, "no decay"), (7500008, "plain"), (7500021, "no decay")]
)
def test_random_noise_misleads_nobody(tmp_path, monkeypatch, seed, kind):
    """Held for a decay, an onset without its block, the wrong corner: off by 8, 11 and 10 u.

    Drawn at random; of some ten numbers each none lies beyond 4 u.
    """
    monkeypatch.setattr(envelope_cases, "take", partial(take, noise_carrier=True))
    snr_db = float(np.random.default_rng(seed).uniform(30, 60))
    case = envelope_cases.random_case(seed, kind, snr_db=snr_db)
    rows = compared(case, measured(tmp_path, case.made).notes)
    z = [r["z"] for r in rows if r["name"] in ("onset_s", "attack_s", "onset_to_peak_s")]
    assert np.isfinite(z).sum() >= 5
    assert np.nanmax(np.abs(z)) < 4


def test_a_click_of_a_low_tone_is_no_noise(tmp_path):
    """A sine of 74 Hz through an exponential amplifier that lets one period through.

    Drawn at random. Taken for white noise its onset was 23 u late and its peak 40 dB too low.
    """
    case = random_case(7310045, "exponential")
    result = measured(tmp_path, case.made)
    late = [row for row in compared(case, result.notes) if row["name"] == "onset_s"]
    assert all(abs(row["z"]) < 3 for row in late)
    assert not result.peak.measurable


@pytest.mark.parametrize("alike_s", [0.0, 0.004])
def test_blocks_of_noise_are_longer_than_it_is_alike(alike_s):
    """Neighbours of noise behind a pole of time constant T are alike over T, both ways."""
    rng = np.random.default_rng(4)
    sound = rng.standard_normal(48_000)
    if alike_s:
        kernel = np.exp(-np.arange(2000) / (48_000 * alike_s))
        sound = np.convolve(sound, kernel)[:48_000]
    track = power_track(sound, 48_000, 0.0, np.zeros(48_000, bool), None)
    if alike_s:
        assert track.period_s > 1.5 * alike_s
    else:
        assert track.period_s == NOISE_STEP_S


def test_an_amplifier_that_leaks_begins_no_note(tmp_path):
    """A saw of 31 Hz through 52 dB, heard between notes: these began 0.2 to 0.5 s early."""
    plant = Plant(to_peak_s=0.013, decay_s=0.11, sustain=0.37, release_s=0.17, range_db=52.0)
    gates = [(0.64, 1.76), (3.56, 4.62)]
    rng = np.random.default_rng(12)
    made = take(plant, gates, 6.3, hz=31.0, rate=24_000, snr_db=58.0, rng=rng)
    table = measured(tmp_path, made).notes
    assert len(table) == 2
    away = table["onset_s"] - [note.onset_s for note in made.notes]
    assert (away.abs() <= 2 * table["u_onset_s"]).all()
    assert (table["u_onset_s"] < 0.05).all()
