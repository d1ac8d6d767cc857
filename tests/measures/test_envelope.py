"""Envelopes of notes whose truth is known: times, levels, refusals, keys."""

import json
import math

import numpy as np
import pandas as pd
import pytest
import soundfile as sf
from envelope_cases import ABSOLUTE, compared, random_case
from envelopes import Plant, take, write_take

from sigkit.captures.wav import open_capture
from sigkit.errors import InputError
from sigkit.measures import bench_test
from sigkit.measures.envelope import measure_envelope
from sigkit.measures.envelope.answers import _peak_spread
from sigkit.measures.envelope.result import COLUMNS, VALUES

KINDS = ("plain", "aim below", "dead zone", "leak", "no decay")
FIVE = [(0.6 + 1.4 * i, 1.2 + 1.4 * i) for i in range(5)]


def measured(folder, made, *, key=None, channel=0):
    path = write_take(folder, made, with_key=key is not None)
    return measure_envelope(open_capture(path, channel=channel), key_channel=key)


@pytest.fixture(scope="module")
def random_rows(tmp_path_factory):
    """Every number of 20 random captures at 50 dB, beside its truth."""
    folder = tmp_path_factory.mktemp("random")
    rows = []
    for seed in range(4000, 4020):
        case = random_case(seed, KINDS[seed % len(KINDS)], snr_db=50.0)
        path = write_take(folder, case.made)
        result = measure_envelope(open_capture(path))
        path.unlink()
        assert len(result.notes) == len(case.made.notes), seed
        rows += compared(case, result.notes)
    return pd.DataFrame(rows)


@pytest.mark.parametrize(
    ("name", "most"),
    [
        ("attack_s", 0.01),
        ("decay_time_constant_s", 0.01),
        ("sustain_db", 0.05),
        ("release_20_s", 0.01),
        ("release_40_s", 0.01),
        ("release_time_constant_s", 0.01),
        ("gate_off_s", 0.0005),
    ],
)
def test_nine_in_ten_numbers_are_as_near_as_promised(random_rows, name, most):
    """Attacks of a period or more; the benchmark prints the whole distribution."""
    rows = random_rows[(random_rows.name == name) & np.isfinite(random_rows.error)]
    if name == "attack_s":
        rows = rows[rows.periods_in_attack >= 1]
    assert len(rows) >= 12
    assert np.quantile(rows.error.abs(), 0.9) < most


def test_stated_uncertainties_cover_the_truth(random_rows):
    """Three binomial deviations below 95 % for all the numbers that time a note."""
    names = ("attack_s", "release_20_s", "release_40_s", "release_s", "release_time_constant_s")
    rows = random_rows[random_rows.name.isin(names) & np.isfinite(random_rows.z)]
    # Presses of one capture share their wave: a capture counts once.
    inside = (rows.z.abs() <= 2).groupby([rows.hz, rows.name]).mean()
    assert inside.mean() >= 0.95 - 3 * math.sqrt(0.95 * 0.05 / len(inside))


def test_every_field_of_five_presses(tmp_path):
    plant = Plant(to_peak_s=0.03, decay_s=0.05, sustain=0.6, release_s=0.08)
    made = take(plant, FIVE, 7.6, hz=523.0, rng=np.random.default_rng(1))
    result = measured(tmp_path, made)
    truth = made.notes[0]
    assert list(result.notes.columns) == list(COLUMNS)
    assert len(result.notes) == len(result.traces) == 5
    for quantity, value, rel in (
        (result.attack, truth.attack_s, 0.002),
        (result.onset_to_peak, 0.03, 0.002),
        (result.decay_time_constant, 0.05, 0.005),
        (result.release_20, truth.crossings_s[20], 0.002),
        (result.release_40, truth.crossings_s[40], 0.005),
        (result.release, truth.crossings_s[60], 0.02),
        (result.release_time_constant, 0.08, 0.002),
        (result.sustain, 20 * math.log10(0.6), 0.002),
    ):
        assert quantity.value == pytest.approx(value, rel=rel)
        assert 0 < quantity.u < 0.02 * abs(value)
    assert result.sag.value == pytest.approx(0, abs=0.2)
    assert abs(result.peak.value - 20 * math.log10(0.2 * math.sqrt(2))) < 2 * result.peak.expanded
    assert result.peak.u < 0.002
    assert result.peak_spread.value < 0.02
    for scatter in (result.attack_repeat, result.decay_repeat, result.release_repeat):
        assert scatter.value < 0.5
    assert result.retriggers.value == 0
    assert not result.missed_triggers.measurable
    assert not result.thump.measurable
    assert result.at_most()["thump"].unit == "dB"
    assert set(result.another_capture()) == {"peak_spread"}
    assert result.key_channel is None
    assert result.settings == {"key_channel": None}
    table = result.notes
    onsets = [n.onset_s for n in made.notes]
    np.testing.assert_allclose(table["onset_s"], onsets, atol=1e-4)
    np.testing.assert_allclose(table["gate_off_s"], [n.gate_off_s for n in made.notes], atol=5e-4)
    assert table["number"].tolist() == [1, 2, 3, 4, 5]
    assert set(table["law"]) == {"linear"}
    assert set(table["method"]) == {"wave"}
    assert set(table["times_from"]) == {"sound"}
    assert table["misfit"].max() < 20
    assert not table["retrigger"].any()
    assert (table["carrier_hz"] - 523.0).abs().max() < 0.01
    assert table[["key_down_s", "key_up_s"]].isna().all(axis=None)
    assert np.isneginf(table["thump_db"]).all()
    for name in VALUES:
        known = np.isfinite(table[name])
        assert (np.isfinite(table[f"u_{name}"]) == known).all()
        assert (table.loc[known, f"u_{name}"] > 0).all()
    assert any("from the sound" in remark for remark in result.said)
    out = json.loads(json.dumps(result.to_dict(), allow_nan=False))
    assert len(out["tables"]["notes"]["attack_s"]) == 5
    assert "attack 0.02" in str(result)
    assert "onset to peak" in result._repr_html_()
    trace = result.traces[0]
    assert trace.time_s.size == trace.gain.size > 100
    assert trace.floor < 1e-3
    assert trace.gain.max() == pytest.approx(0.2 * math.sqrt(2), rel=0.02)


def test_times_are_from_the_key_where_there_is_one(tmp_path):
    """The gate is 0.02 s early, as a slow contact is; times of the sound follow from it."""
    made = take(Plant(), FIVE, 7.6, rng=np.random.default_rng(2))
    lead = round(0.02 * made.rate)
    made.key = np.concatenate([made.key[lead:], np.zeros(lead)])
    extra = (made.key.size - round(0.5 * made.rate), made.key.size - round(0.3 * made.rate))
    made.key[slice(*extra)] = 1.0
    result = measured(tmp_path, made, key=1)
    np.testing.assert_allclose(
        result.notes["onset_s"], [n.onset_s - 0.02 for n in made.notes], atol=3e-4
    )
    assert result.onset_to_peak.value == pytest.approx(0.04, abs=5e-4)
    assert result.release_20.value == pytest.approx(made.notes[0].crossings_s[20] + 0.02, abs=1e-3)
    assert result.attack.value == pytest.approx(made.notes[0].attack_s, rel=0.005)
    assert set(result.notes["times_from"]) == {"key"}
    assert result.notes[["key_down_s", "key_up_s"]].notna().all(axis=None)
    assert result.missed_triggers.value == 1
    assert any("edges of a gate" in remark for remark in result.said)


def test_a_retrigger_is_told_and_left_out_of_the_means(tmp_path):
    gates = [*FIVE[:3], (4.8, 4.82), (4.84, 5.4)]
    made = take(Plant(), gates, 7.0, rng=np.random.default_rng(3))
    result = measured(tmp_path, made)
    assert result.notes["retrigger"].tolist() == [False, False, False, False, True]
    assert result.retriggers.value == 1
    assert result.another_capture()["retriggers"].u == 1
    assert result.attack.value == pytest.approx(made.notes[0].attack_s, rel=0.005)


def test_a_noisy_short_attack_is_a_note_all_the_same(tmp_path):
    """Short blocks full of noise are no misfit: at 35 dB every number of an attack is told."""
    plant = Plant(to_peak_s=0.0013, decay_s=0.03, sustain=0.23, release_s=0.3)
    made = take(plant, [(0.6, 0.83)], 3.5, hz=336.0, snr_db=35.0, rng=np.random.default_rng(18))
    table = measured(tmp_path, made).notes
    assert table["sustain_db"].iloc[0] == pytest.approx(made.notes[0].sustain_db, abs=0.1)
    assert table["attack_s"].iloc[0] == pytest.approx(made.notes[0].attack_s, rel=0.1)


def test_blocks_about_a_zero_of_the_carrier_do_not_make_a_note_unlike(tmp_path):
    """A saw at 37 dB: one block of 479 has a thousand times the noise of the others."""
    case = random_case(960006, "no decay")
    table = measured(tmp_path, case.made).notes
    assert list(table["law"]) == ["linear", "linear"]
    assert table["gate_off_s"].to_numpy() == pytest.approx(
        [n.gate_off_s for n in case.made.notes], abs=5e-4
    )


def test_a_sustain_that_sags(tmp_path):
    """A level that decays with 4 s falls by 8.6859 x 10/4 dB in 10 s (closed form)."""
    made = take(Plant(decay_s=0.05, sag_s=4.0), [(0.6, 3.6)], 5.0, rng=np.random.default_rng(5))
    result = measured(tmp_path, made)
    assert result.sag.value == pytest.approx(20 / math.log(10) * 10 / 4, rel=0.01)


def test_a_thump_beside_the_carrier(tmp_path):
    made = take(Plant(), FIVE[:2], 4.0, thump=0.2, rng=np.random.default_rng(6))
    result = measured(tmp_path, made)
    assert -30 < result.thump.value < -14
    assert result.attack.value == pytest.approx(made.notes[0].attack_s, rel=0.02)


@pytest.mark.parametrize("rate", [44_100, 96_000])
def test_hum_direct_voltage_and_drift_do_no_harm(tmp_path, rate):
    made = take(
        Plant(),
        FIVE[:3],
        5.0,
        hz=261.6,
        rate=rate,
        hum_db=-40,
        dc=0.3,
        drift_cents=10,
        rng=np.random.default_rng(8),
    )
    result = measured(tmp_path, made)
    assert result.attack.value == pytest.approx(made.notes[0].attack_s, rel=0.01)
    assert result.decay_time_constant.value == pytest.approx(0.15, rel=0.01)
    assert result.release_40.value == pytest.approx(made.notes[0].crossings_s[40], rel=0.01)
    assert any("hum at 50" in remark for remark in result.said)


def why(result, column, row=0):
    parts = result.notes["reason"].iloc[row].split(" | ")
    assert math.isnan(result.notes[column].iloc[row]), column
    return next(p.partition(": ")[2] for p in parts if column in p.partition(": ")[0].split(", "))


def test_a_clipped_peak_is_refused(tmp_path):
    made = take(Plant(sustain=0.3), FIVE[:2], 4.0, wave="sine", hz=200, level=0.6)
    made.samples = np.clip(made.samples, -0.5, 0.5)
    path = write_take(tmp_path, made, subtype="PCM_16")
    result = measure_envelope(open_capture(path))
    for quantity in (result.attack, result.peak, result.decay_time_constant, result.release_20):
        assert "clipped" in quantity.reason
        assert "lower the gain" in quantity.reason
    assert "clipped" in why(result, "attack_s")


def test_a_carrier_too_low_for_its_attack_is_refused(tmp_path):
    made = take(Plant(to_peak_s=0.003), [(0.6, 1.6)], 2.6, hz=65.4, rng=np.random.default_rng(9))
    result = measured(tmp_path, made)
    assert "resolution ± 15 ms, not usable for 15 ms or less" in result.attack.reason
    assert "play a higher note" in why(result, "attack_s")
    assert result.release_20.value == pytest.approx(made.notes[0].crossings_s[20], rel=0.01)


def test_a_floor_too_high_extrapolates_and_says_so(tmp_path):
    made = take(Plant(), FIVE[:2], 4.0, snr_db=30, hz=300, rng=np.random.default_rng(10))
    result = measured(tmp_path, made)
    assert result.notes["release_extrapolated"].all()
    assert "extrapolated" in result.notes["reason"].iloc[0]
    assert result.release.value == pytest.approx(made.notes[0].crossings_s[60], rel=0.15)
    assert abs(result.release.value - made.notes[0].crossings_s[60]) < result.release.expanded


@pytest.mark.parametrize(
    ("plant", "snr_db"),
    [
        (Plant(release_aim=-0.08), 33),
        (Plant(dead=0.03, attack_release=True), 42),
        (Plant(), 42),
    ],
)
def test_sixty_down_is_foretold_from_where_the_fall_is_aimed(tmp_path, plant, snr_db):
    """An amplifier that closes early is 60 dB down early: gone on evenly it was 10 to 70 % late."""
    made = take(plant, FIVE[:3], 4.6, snr_db=snr_db, hz=700, rng=np.random.default_rng(21))
    result = measured(tmp_path, made)
    truth = made.notes[0].crossings_s[60]
    assert result.notes["release_extrapolated"].all()
    assert (result.notes["u_release_s"] < 0.04 * truth).all()
    assert abs(result.release.value - truth) < result.release.expanded
    assert result.release.value == pytest.approx(truth, rel=0.03)
    assert [term.evaluation for term in result.release.budget][:2] == ["A", "B"]


def test_an_amplifier_that_leaks_never_falls_by_sixty(tmp_path):
    made = take(Plant(leak=0.003), FIVE[:2], 4.0, hz=300, rng=np.random.default_rng(11))
    assert "leaks or does not close" in why(measured(tmp_path, made), "release_s")


def test_a_held_peak_has_no_decay(tmp_path):
    made = take(Plant(attack_release=True), FIVE[:2], 4.0, rng=np.random.default_rng(12))
    result = measured(tmp_path, made)
    assert "sustain at 100 %" in why(result, "decay_time_constant_s")
    assert result.sustain.value == pytest.approx(0, abs=0.01)


def test_a_gate_that_ends_in_the_attack(tmp_path):
    plant = Plant(to_peak_s=0.1, release_s=0.12)
    made = take(plant, [(0.6, 0.65)], 2.6, rng=np.random.default_rng(13))
    result = measured(tmp_path, made)
    assert "attack" in why(result, "decay_time_constant_s")
    assert math.isnan(result.notes["sustain_db"].iloc[0])
    assert result.release_time_constant.value == pytest.approx(0.12, rel=0.01)


def test_a_gate_that_ends_early_in_the_decay(tmp_path):
    plant = Plant(decay_s=0.3, release_s=0.05)
    made = take(plant, [(0.6, 0.72)], 2.6, rng=np.random.default_rng(14))
    result = measured(tmp_path, made)
    assert "before the decay settled" in why(result, "sustain_db")
    assert result.notes["gate_off_s"].iloc[0] == pytest.approx(0.72, abs=1e-3)
    assert "hold the key" in why(result, "sag_db_per_10s")


def test_no_knee_where_decay_and_release_are_alike(tmp_path):
    plant = Plant(sustain=0.0, decay_s=0.2, release_s=0.2)
    made = take(plant, [(0.6, 1.0)], 3.0, rng=np.random.default_rng(15))
    result = measured(tmp_path, made)
    assert "no knee" in why(result, "gate_off_s")
    assert "no knee" in result.release_20.reason
    assert "no sustain" in why(result, "sustain_db")
    assert result.decay_time_constant.value == pytest.approx(0.2, rel=0.005)


def test_notes_cut_by_the_ends_of_the_capture(tmp_path):
    made = take(Plant(), [(0.0, 0.5), (2.0, 3.5)], 3.2, rng=np.random.default_rng(16))
    made.samples = made.samples[round(0.01 * made.rate) :]
    made.key = made.key[round(0.01 * made.rate) :]
    result = measured(tmp_path, made)
    assert "before the capture begins" in why(result, "attack_s")
    assert "where the capture ends" in why(result, "release_20_s", -1)


def test_noise_and_silence_hold_no_note(tmp_path):
    for name, sound in (
        ("hiss", np.random.default_rng(17).normal(0, 0.01, 96_000)),
        ("none", np.zeros(96_000)),
    ):
        sf.write(tmp_path / f"{name}.wav", sound, 48_000, subtype="FLOAT")
        result = measure_envelope(open_capture(tmp_path / f"{name}.wav"))
        assert result.notes.empty
        assert "no note stands out" in result.attack.reason
        assert "no note found" in result.said
        json.dumps(result.to_dict(), allow_nan=False)


@pytest.mark.parametrize("key", [-1, 0, 2, "1", True])
def test_a_wrong_key_channel_is_an_error(tmp_path, key):
    made = take(Plant(), FIVE[:1], 2.4)
    path = write_take(tmp_path, made, with_key=True)
    with pytest.raises(InputError, match="key_channel must be another channel"):
        measure_envelope(open_capture(path, channel=0), key_channel=key)


def test_what_is_judged_are_quantities_of_the_result(tmp_path):
    result = measured(tmp_path, take(Plant(), FIVE[:1], 2.4))
    units = {name: q.unit for name, q in result.quantities().items()}
    for judged in bench_test("envelope").judged:
        assert units[judged.quantity] == judged.unit
    assert ABSOLUTE


def test_a_long_capture_does_not_grow_in_memory(tmp_path):
    """A minute and a half at 8 kHz: the peak of what is held is that of half a minute."""
    import tracemalloc

    peaks = []
    for minutes in (0.5, 1.5):
        gates = [(1.0 + 4 * i, 1.5 + 4 * i) for i in range(int(15 * minutes))]
        made = take(Plant(), gates[::7], 60.0 * minutes, rate=8000, hz=300)
        capture = open_capture(write_take(tmp_path, made))
        made = None
        tracemalloc.start()
        measure_envelope(capture)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < 1.3 * peaks[0]


@pytest.mark.parametrize("count", [2, 3, 5])
def test_the_spread_of_peaks_that_are_alike_holds_zero(count):
    """The range of normal deviates within its 95 % point (Studentized range), 3 deviations off."""
    rng = np.random.default_rng(count)
    held = 0
    for _ in range(400):
        notes = pd.DataFrame(
            {"peak_dbfs": 0.01 * rng.standard_normal(count), "u_peak_dbfs": np.full(count, 0.01)}
        )
        spread = _peak_spread(notes)
        held += float(spread) <= 2 * spread.u
    assert held / 400 == pytest.approx(0.95, abs=3 * math.sqrt(0.95 * 0.05 / 400))


def test_a_low_note_that_dies_is_read_along_its_own_phase(tmp_path):
    """A saw of 55 Hz of which 9 periods are held: a lag of half a sample cannot be made up for.

    To first order it was: decays were 0.1 % short at 7 u, and the fit left 8 times the noise.
    Drawn at random.
    """
    case = random_case(7400049, "no sustain")
    table = measured(tmp_path, case.made).notes
    off = np.abs(table["decay_time_constant_s"] - case.plant.decay_s)
    assert (off < 3 * table["u_decay_time_constant_s"]).all()
    assert (table["misfit"] < 3).all()
