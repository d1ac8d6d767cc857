"""Floor, families, tone and bleed of idle noise; truth is what was put in."""

import json
import math

import librosa
import numpy as np
import pytest
import soundfile as sf
from idle_noise import BAND_DB, EVEN_DBFS, LEVELS, RATE, idle
from matplotlib.figure import Figure
from noises import hum, mains_path, note, white, write

import sigkit
from sigkit.captures.wav import open_capture
from sigkit.errors import InputError
from sigkit.measures.noise import measure_noise
from sigkit.measures.noise.result import HUM_COLUMNS, TONE_COLUMNS


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("noise")


@pytest.fixture(scope="module")
def full(folder):
    """Ten seconds of idle noise with a bleeding note, then that note at full level."""
    rng = np.random.default_rng(1)
    quiet = idle(10.0, rng) + note(233.1, 10.0, RATE, -78.0)
    x = np.concatenate([quiet, note(233.1, 4.0, RATE, -12.0) + idle(4.0, rng)])
    return measure_noise(open_capture(write(folder, x, name="noise-output.wav")))


def test_every_number_of_a_full_capture(full):
    odd = 10 * math.log10(10**-7 + 10**-8)
    noise = -129 + BAND_DB
    floor = 10 * math.log10(10 ** (noise / 10) + 10**-7.8)
    lines = sum(10 ** (v / 10) for v in LEVELS.values())
    total = 10 * math.log10(10 ** (noise / 10) + 10**-7.8 + lines)
    for name, wanted, within in (
        ("floor", floor, 0.05),
        ("hiss", noise, 0.05),
        ("total", total, 0.02),
        ("mains_line", -70.0, 0.01),
        ("hum_odd", odd, 0.01),
        ("ripple", EVEN_DBFS, 0.005),
        ("tone", -12.0, 0.01),
        ("floor_re_tone", floor + 12, 0.06),
        ("mains_line_re_tone", -58.0, 0.02),
        ("hum_odd_re_tone", odd + 12, 0.02),
        ("ripple_re_tone", EVEN_DBFS + 12, 0.015),
        ("bleed", -66.0, 0.06),
    ):
        found = getattr(full, name)
        assert found.value == pytest.approx(wanted, abs=within), name
        assert abs(found.value - wanted) < 4 * found.u + 0.002, name
        assert 0 < found.u < 0.1
    assert full.floor_a_re_tone.value == pytest.approx(full.floor_a.value + 12, abs=0.01)
    assert full.mains_frequency.value == pytest.approx(50.02, abs=0.012)
    assert not full.second_mains.measurable
    assert full.bleed.unit == full.ripple_re_tone.unit == "dB"
    assert full.floor.unit == full.hiss.unit == full.ripple.unit == "dBFS"
    # A-weighting takes 2.048 dB off white noise (closed form); the note's harmonics one by one
    k = np.arange(1, 86)
    shares = 10**-7.8 / k**2 / np.sum(1 / np.arange(1.0, 104) ** 2)
    note_a = float(np.sum(shares * 10 ** (librosa.A_weighting(233.1 * k) / 10)))
    wanted = 10 * math.log10(10 ** ((noise - 2.048) / 10) + note_a)
    assert full.floor_a.value == pytest.approx(wanted, abs=0.05)
    assert full.floor_468.value > full.floor.value


def test_every_table_of_a_full_capture(full):
    assert tuple(full.hum.columns) == tuple(full.second_hum.columns) == HUM_COLUMNS
    assert full.hum["order"].tolist() == list(range(1, 21))
    table = full.hum.set_index("order")
    for order, level in LEVELS.items():
        row = table.loc[order]
        assert row.level_dbfs == pytest.approx(level, abs=0.03)
        assert row.level_dbfs < row.at_most_dbfs < row.level_dbfs + 0.3
        assert row.frequency_hz == pytest.approx(order * full.mains_frequency.value)
        assert row.family == ("even" if order % 2 == 0 else "odd")
        # 10 s: noise of a tenth of a hertz
        assert row.over_noise_db == pytest.approx(level + 139, abs=2)
    unseen = table.loc[[5, 7, 9]]
    assert unseen.level_dbfs.isna().all()
    assert (unseen.at_most_dbfs < -120).all()
    assert len(full.second_hum) == 0
    assert tuple(full.tones.columns) == TONE_COLUMNS
    strongest = full.tones.iloc[0]
    assert strongest.frequency_hz == pytest.approx(233.1, abs=0.02)
    # a saw's fundamental lies 10 log10(pi**2 / 6) below its sum
    assert strongest.level_dbfs == pytest.approx(-78 - 2.161, abs=0.1)
    assert strongest.u_level_db < 0.1
    assert bool(strongest.is_bleed)


def test_what_else_a_full_capture_says(full):
    assert full.quiet_s == pytest.approx(10.0, abs=0.11)
    assert full.band_hz == (20.0, 20_000.0)
    assert full.frequency_hz.shape == full.density.shape == full.covered.shape
    quiet = (full.frequency_hz > 2000) & (full.frequency_hz < 2080)
    assert 10 * np.log10(np.median(full.density[quiet])) == pytest.approx(-129, abs=1)
    for hz in (50, 100, 150, 200, 300):
        assert full.covered[round(hz / full.frequency_hz[1])]
    assert not full.covered[round(700 / full.frequency_hz[1])]
    assert full.bounds == {} == full.at_most()
    assert full.hint.startswith("even multiples of the mains are the stronger")
    assert "no proof" in full.hint
    assert full.said == (full.hint, *full.notes)
    told = " ".join(full.said)
    assert "20 Hz to 20 kHz" in told
    assert "tone at 10.0 to 14.0 s of this capture" in told
    assert full.settings == {"mains_hz": None, "reference": None}
    assert (full.source.name, full.test) == ("noise-output.wav", "noise")
    kept = json.loads(json.dumps(full.to_dict()))
    assert kept["quantities"]["ripple"]["unit"] == "dBFS"
    assert kept["tables"]["hum"]["order"][:2] == [1, 2]
    assert "floor" in str(full)
    assert "no proof" in full._repr_html_()


def test_plot_draws_on_the_given_axes(full):
    ax = Figure().subplots()
    assert full.plot(ax) is ax


def test_the_public_name():
    assert sigkit.measure_noise is measure_noise


def test_odd_family_is_hinted_at_as_a_loop(folder):
    rng = np.random.default_rng(2)
    x = idle(5.0, rng, levels={1: -60.0, 3: -70.0, 2: -85.0})
    assert "loop or a field" in measure_noise(open_capture(write(folder, x))).hint
    x = idle(5.0, rng, levels={1: -60.0, 2: -61.0})
    assert "about alike" in measure_noise(open_capture(write(folder, x))).hint


def test_lines_above_the_twentieth_belong_to_their_family(folder):
    """A rectifier's buzz, even lines to the 60th: the sum of all, not of twenty."""
    rng = np.random.default_rng(3)
    levels = {2 * k: -60.0 - 0.5 * k for k in range(1, 31)}
    x = idle(10.0, rng, levels=levels)
    result = measure_noise(open_capture(write(folder, x)))
    wanted = 10 * math.log10(sum(10 ** (v / 10) for v in levels.values()))
    assert result.ripple.value == pytest.approx(wanted, abs=0.02)
    assert result.floor.value == pytest.approx(-129 + BAND_DB, abs=0.06)


def test_levels_are_those_of_aes17(folder):
    """A full-scale sine reads 0 dBFS (AES17): here 40 dB below, as a mains line."""
    t = np.arange(10 * RATE) / RATE
    rng = np.random.default_rng(4)
    x = 0.01 * np.sin(2 * np.pi * 50 * t) + white(t.size, -129.0, RATE, rng)
    result = measure_noise(open_capture(write(folder, x)))
    assert result.mains_line.value == pytest.approx(-40.0, abs=0.001)
    assert result.total.value == pytest.approx(-40.0, abs=0.001)


def test_another_capture_can_be_the_reference(folder):
    rng = np.random.default_rng(5)
    quiet = open_capture(write(folder, idle(6.0, rng)))
    path = write(folder, note(440.0, 3.0, RATE, -9.0), name="stability-osc.wav")
    result = measure_noise(quiet, reference=open_capture(path))
    assert result.tone.value == pytest.approx(-9.0, abs=0.01)
    assert result.ripple_re_tone.value == pytest.approx(result.ripple.value + 9, abs=0.01)
    gain = [t.u for t in result.floor_re_tone.budget if t.source.startswith("gain")]
    assert gain == [pytest.approx(0.1 / math.sqrt(3))]
    assert "stability-osc.wav" in result.settings["reference"]
    assert measure_noise(quiet, reference=path).tone == result.tone
    hiss = write(folder, white(3 * RATE, -60.0, RATE, rng), name="hiss.wav")
    refused = measure_noise(quiet, reference=hiss)
    assert "holds no tone" in refused.ripple_re_tone.reason
    assert refused.ripple.measurable


def test_bleed_that_is_not_there_is_a_bound(folder):
    rng = np.random.default_rng(6)
    x = np.concatenate([idle(8.0, rng), note(233.1, 3.0, RATE, -12.0)])
    result = measure_noise(open_capture(write(folder, x)))
    assert result.bleed.reason.startswith("no line of the tone above")
    assert -118 < result.at_most()["bleed"].value < -95


def test_the_tone_may_come_first(folder):
    rng = np.random.default_rng(7)
    x = np.concatenate([note(220.0, 3.0, RATE, -12.0) + idle(3.0, rng), idle(8.0, rng)])
    result = measure_noise(open_capture(write(folder, x)))
    assert result.tone.value == pytest.approx(-12.0, abs=0.01)
    assert result.ripple.value == pytest.approx(EVEN_DBFS, abs=0.02)


def test_lines_above_the_band_are_named_and_in_no_number(folder):
    """28.0003 kHz at -60 dBFS, as of a switching supply; a tone in the band stays as sure as it is.

    Of the largest density in the spectrum, out of the band too, u of the floor was 6 dB.
    """
    rate, seconds = 96_000, 5
    rng, t = np.random.default_rng(5), np.arange(rate * seconds) / rate
    x = white(t.size, -125.0, rate, rng) + 1e-4 * np.sin(2 * np.pi * 5000.0 * t)
    more = 1e-3 * np.sin(2 * np.pi * 28_000.3 * t)
    plain, beside = (measure_noise(open_capture(write(folder, s, rate))) for s in (x, x + more))
    said = [n for n in beside.notes if "above the band" in n]
    assert said
    assert "28.00 kHz with -60.0 dBFS" in said[0]
    assert not any("above the band" in n for n in plain.notes)
    for name in ("floor", "floor_a", "hiss", "total"):
        one, two = plain.quantities()[name], beside.quantities()[name]
        assert two.value == pytest.approx(one.value, abs=1e-3), name
        assert two.u == pytest.approx(one.u, rel=0.05), name


def test_digital_silence_is_told_from_quiet(folder):
    silent = measure_noise(open_capture(write(folder, np.zeros(5 * RATE))))
    assert silent.floor.reason.startswith("digital silence")
    assert not any(q.measurable for q in silent.quantities().values())
    drawn = silent.plot(Figure().subplots())
    assert "digital silence" in " ".join(drawn.texts[0].get_text().split())
    rng = np.random.default_rng(8)
    x = np.concatenate([np.zeros(2 * RATE), idle(6.0, rng), np.zeros(RATE)])
    gated = measure_noise(open_capture(write(folder, x)))
    assert gated.floor.value == pytest.approx(-129 + BAND_DB, abs=0.07)
    assert any("3.0 s of digital silence" in text for text in gated.said)


def test_what_is_too_short_says_so(folder):
    rng = np.random.default_rng(9)
    short = measure_noise(open_capture(write(folder, idle(0.6, rng))))
    assert "1 s are needed" in short.floor.reason
    just = measure_noise(open_capture(write(folder, idle(1.3, rng))))
    assert just.floor.value == pytest.approx(-129 + BAND_DB, abs=4 * just.floor.u)
    assert just.mains_frequency.value == pytest.approx(50.02, abs=0.02)


def test_a_click_is_left_out_and_said(folder):
    rng = np.random.default_rng(10)
    x = idle(8.0, rng)
    x[3 * RATE :][:400] += 0.05 * rng.standard_normal(400)
    result = measure_noise(open_capture(write(folder, x)))
    assert result.floor.value == pytest.approx(-129 + BAND_DB, abs=0.08)
    assert any("short bursts" in text and "near 3." in text for text in result.said)


def test_another_level_is_left_out_and_said(folder):
    rng = np.random.default_rng(11)
    off = white(4 * RATE, -150.0, RATE, rng)
    result = measure_noise(open_capture(write(folder, np.concatenate([off, idle(8.0, rng)]))))
    assert result.floor.value == pytest.approx(-129 + BAND_DB, abs=0.06)
    assert any("parts of another level" in text for text in result.said)


def test_noise_that_swings_is_said_and_widens_the_interval(folder):
    rng = np.random.default_rng(12)
    t = np.arange(20 * RATE) / RATE
    x = white(t.size, -129.0, RATE, rng) * (1 + 0.3 * np.sin(2 * np.pi * t / 7))
    result = measure_noise(open_capture(write(folder, x)))
    assert any("not steady" in text for text in result.said)
    assert [t.source for t in result.floor.budget] == ["noise", "noise not steady"]
    assert result.floor.u > 0.2


def test_a_low_rate_states_its_band(folder):
    rng = np.random.default_rng(13)
    x = idle(8.0, rng, rate=16_000)
    result = measure_noise(open_capture(write(folder, x, 16_000)))
    assert result.band_hz == (20.0, pytest.approx(16_000 / 2.2))
    wanted = -129 + 10 * math.log10(16_000 / 2.2 - 20)
    assert result.floor.value == pytest.approx(wanted, abs=4 * result.floor.u)
    assert any("as far as the sample rate reaches" in text for text in result.said)


def test_the_recorders_own_steps_are_said(folder):
    """Rounding to 16 bits with dither: -93.3 dBFS up to half the rate (closed form)."""
    rng = np.random.default_rng(14)
    path = write(folder, np.zeros(6 * RATE), subtype="PCM_16", rng=rng)
    result = measure_noise(open_capture(path))
    wanted = 10 * math.log10(2 * 3 / 12 * 2.0**-30) + 10 * math.log10(19_980 / 24_000)
    assert result.floor.value == pytest.approx(wanted, abs=0.05)
    assert any("file's own steps" in text for text in result.said)


def test_direct_voltage_and_long_captures(folder):
    """Seventy seconds are three parts; the mean of the mains is over all of them."""
    rng = np.random.default_rng(15)
    path = mains_path(70 * 8000, 8000, 59.98, rng, 0.02, 30.0)
    x = white(path.size, -120.0, 8000, rng) + hum(path, 8000, {1: -70.0, 4: -75.0}, rng) + 0.2
    result = measure_noise(open_capture(write(folder, x, 8000)))
    assert result.quiet_s == pytest.approx(70, abs=0.2)
    assert result.mains_frequency.value == pytest.approx(path.mean(), abs=0.002)
    assert result.ripple.value == pytest.approx(-75, abs=0.02)
    assert result.floor.value == pytest.approx(-120 + 10 * math.log10(8000 / 2.2 - 20), abs=0.05)


@pytest.mark.parametrize(
    ("mains", "problem"), [(500, "from 40 to 70 Hz"), ("50", "must be a number"), (True, "number")]
)
def test_wrong_mains_are_refused(folder, mains, problem):
    path = folder / "any.wav"
    sf.write(path, np.zeros(800), 8000)
    with pytest.raises(InputError, match=problem):
        measure_noise(open_capture(path), mains_hz=mains)


def test_a_reference_that_is_not_there_is_refused(folder):
    path = folder / "any.wav"
    sf.write(path, np.zeros(800), 8000)
    with pytest.raises(InputError, match="here is no"):
        measure_noise(open_capture(path), reference=folder / "missing.wav")


def test_mains_that_are_not_the_given_ones_are_said(folder):
    rng = np.random.default_rng(16)
    x = idle(6.0, rng, mains=59.97)
    result = measure_noise(open_capture(write(folder, x)), mains_hz=50)
    assert result.mains_frequency.value == pytest.approx(59.97, abs=0.02)
    assert any("not the 50 Hz that was given" in text for text in result.said)
