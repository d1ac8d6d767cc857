"""Short key sweeps, played press by press, and measured."""

import numpy as np
from keyboards import Instrument, render
from scipy.io import wavfile

import sigkit
from sigkit.measures.keyboard import measure_keyboard

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
