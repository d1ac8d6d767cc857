"""Pitch against Praat (parselmouth, GPL, an independent tracker by autocorrelation)."""

import importlib.util
import math
import sys
from pathlib import Path

import numpy as np
import parselmouth
import pytest
import soundfile as sf
from tones import noisy_tone, write_sound

import sigkit

_spec = importlib.util.spec_from_file_location(
    "freepats_notes", Path(__file__).with_name("freepats.py")
)
freepats = sys.modules["freepats_notes"] = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(freepats)


def praat_hz(samples, rate, at_s):
    """Praat's pitch at some instants; nan where it has none."""
    pitch = parselmouth.Sound(samples, rate).to_pitch_ac(
        time_step=0.01, pitch_floor=60, very_accurate=True, pitch_ceiling=min(4000, 0.4 * rate)
    )
    hz = pitch.selected_array["frequency"]
    return np.interp(at_s, pitch.xs(), np.where(hz > 0, hz, np.nan))


@pytest.mark.parametrize("seed", range(12))
def test_random_tones(tmp_path, seed):
    """Within 0.5 cents of each other for the median; both within it of the truth."""
    rng = np.random.default_rng(seed)
    wave = ("saw", "pulse", "triangle")[seed % 3]
    hz = math.exp(rng.uniform(math.log(80), math.log(1500)))
    x, _ = noisy_tone(wave, hz, rng.uniform(35, 60), 2.0, rng, duty=rng.uniform(0.2, 0.8))
    track = sigkit.track_pitch(sigkit.open_capture(write_sound(tmp_path, x)))
    other = praat_hz(x, 48_000, track.time_s[track.voiced])
    difference = 1200 * np.log2(track.frequency_hz[track.voiced] / other)
    assert np.count_nonzero(np.isfinite(difference)) > 150
    assert abs(np.nanmedian(difference)) < 0.5
    assert abs(np.nanmedian(track.cents(hz))) < 0.02


@pytest.mark.recordings
@pytest.mark.parametrize("name", freepats.FILES)
def test_recorded_notes(name, tmp_path):
    """freepats (GPL-2+): real tones whose partials are out of tune with each other.

    No octave, and the medians differ by no more than 10 cents beside the stated interval: there
    Praat's autocorrelation and the phase of the harmonics weigh the partials differently.
    """
    off = []
    for i, note in enumerate(freepats.read_notes(freepats.recordings() / freepats.FOLDER / name)):
        path = tmp_path / f"{i}.wav"
        sf.write(path, note.samples, note.rate, subtype="PCM_16")
        track = sigkit.track_pitch(sigkit.open_capture(path))
        other = praat_hz(note.samples, note.rate, track.time_s[track.voiced])
        difference = 1200 * np.log2(track.frequency_hz[track.voiced] / other)
        difference = difference[np.isfinite(difference)]
        median, u = np.median(difference), np.median(track.u_cents()[track.voiced])
        if abs(median) > 10 + 2 * u or np.abs(difference).max() > 100:
            off.append(f"{note.root_hz} Hz: median {median:.2f}, u {u:.2f} cents")
    assert not off, off
