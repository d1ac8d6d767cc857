"""Glides against Praat, on a recorded wave made to glide, and on real notes without a glide."""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import parselmouth
import pytest
import soundfile as sf
from glides import LN9, Slew, play
from scipy import signal

import sigkit
from sigkit.errors import SignalError

_spec = importlib.util.spec_from_file_location(
    "freepats_notes", Path(__file__).with_name("freepats.py")
)
freepats = sys.modules["freepats_notes"] = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(freepats)


@pytest.mark.parametrize(("law", "seconds"), [("exponential", 0.8), ("linear", 0.8)])
def test_slow_glides_as_praat_sees_them(tmp_path, law, seconds):
    """parselmouth (GPL), pitch by autocorrelation in windows of 30 ms: within 1 % on slow glides.

    Its window of three periods of 100 Hz is short against the glide, which is what makes it a fair
    second opinion here and useless on quick ones.
    """
    slews = [Slew(law, seconds)] * 2
    hold_s = 2.5
    played = play(np.random.default_rng(1), slews, low_hz=220, octaves=1, hold_s=hold_s)
    pitch = parselmouth.Sound(played.sound, played.rate).to_pitch_ac(
        time_step=0.002, pitch_floor=100, pitch_ceiling=1000
    )
    t, hz = pitch.xs(), pitch.selected_array["frequency"]
    found = sigkit.measure_glide(sigkit.open_capture(played.write(tmp_path / "slow.wav"))).glides
    assert list(found["law"]) == [law] * 2
    for row in found.itertuples():
        own = (t > row.start_s - 0.3) & (t < row.start_s + hold_s - 0.3) & (hz > 0)
        share = 1200 * np.log2(hz[own] / row.from_hz) / row.interval_cents
        t10, t90 = (np.interp(level, np.maximum.accumulate(share), t[own]) for level in (0.1, 0.9))
        assert t90 - t10 == pytest.approx(row.glide_time_s, rel=0.01)


@pytest.mark.recordings
def test_a_recorded_wave_that_is_made_to_glide(tmp_path):
    """freepats (GPL-2+), ``080_Square_Wave.pat``: a real wave read at a speed that glides.

    One period of the recording is played along a phase of known truth, so the waveform is real and
    the time is exact.
    """
    folder = freepats.recordings() / freepats.FOLDER
    note = freepats.read_notes(folder / freepats.FILES[1])[0]
    period = note.rate / note.root_hz
    wave = signal.resample(note.samples[: round(40 * period)].astype(float), 40 * 512)
    wave = wave.reshape(40, 512).mean(axis=0)
    rate, tau = 48_000, 0.03
    t = np.arange(3 * rate) / rate
    octaves = -np.expm1(-np.maximum(t - 1.0, 0) / tau) + np.expm1(-np.maximum(t - 2.0, 0) / tau)
    hz = 130.8 * 2.0**octaves
    cycles = np.concatenate([[0], np.cumsum((hz[1:] + hz[:-1]) / 2)]) / rate
    sound = np.interp(cycles % 1 * 512, np.arange(513), np.append(wave, wave[0]))
    sound = 0.2 * sound / np.abs(sound).max() + 3e-5 * np.random.default_rng(2).standard_normal(
        t.size
    )
    sf.write(tmp_path / "real.wav", sound, rate, subtype="PCM_24")
    found = sigkit.measure_glide(sigkit.open_capture(tmp_path / "real.wav")).glides
    assert list(found["law"]) == ["exponential"] * 2
    assert found["glide_time_s"].to_numpy() == pytest.approx([tau * LN9] * 2, rel=0.01)


@pytest.mark.recordings
def test_real_held_notes_have_no_glide(tmp_path):
    """Debian ``lmms-common`` (GPL-2+), organ and synth notes as they are: nothing is invented."""
    names = sorted(freepats.recordings().rglob("samples/instruments/*.ogg"))
    assert len(names) >= 5
    for number, name in enumerate(names[:12]):
        try:
            sound, rate = sf.read(name, always_2d=True)
        except sf.LibsndfileError:  # a file of the collection that is no sound at all
            continue
        sound = sound[: 8 * rate, 0]
        if sound.size < rate:
            continue
        path = tmp_path / f"{number}.wav"
        sf.write(path, sound, rate, subtype="PCM_16")
        try:
            found = sigkit.measure_glide(sigkit.open_capture(path)).glides
        except SignalError:
            continue
        assert found["glide_time_s"].isna().all(), name.name
