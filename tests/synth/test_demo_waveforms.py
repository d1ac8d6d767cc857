"""What the README of the sample says of the waveforms is what was put in."""

import numpy as np
import pytest
from sample import demo_sound, row

NAMES = {
    "triangle of oscillator 1, rises for, % of the period": "waveform-oscillator_1-triangle.wav",
    "square of oscillator 2, high for, % of the period": "waveform-oscillator_2-square.wav",
}


@pytest.mark.parametrize("label", NAMES)
def test_readme_on_waveforms(label):
    for column, stage in enumerate(("1_before", "3_after")):
        truth = demo_sound(f"{stage}/{NAMES[label]}").truth
        assert float(row(label)[column]) == pytest.approx(100 * truth["width"])


@pytest.mark.parametrize("label", NAMES)
@pytest.mark.parametrize("stage", ["1_before", "3_after"])
def test_the_sound_has_the_wave_that_its_truth_says(label, stage):
    """Harmonics of the middle second by a plain transform, beside their closed forms.

    Second and third re the first: |sin(k pi d)| / k of a pulse, over another k of a triangle; both
    through a coupling of 5 Hz and a low-pass of 9 kHz. The wander of 0.2 cents spreads a line by
    less than the transform's step of 1 Hz.
    """
    sound = demo_sound(f"{stage}/{NAMES[label]}")
    part = sound.samples[12_000:60_000] * np.hanning(48_000)
    spectrum = np.abs(np.fft.rfft(part)) ** 2
    level = np.sqrt([spectrum[220 * k - 4 : 220 * k + 5].sum() for k in (1, 2, 3)])
    k = np.arange(1, 4)
    f = 220.0 * k
    ideal = np.abs(np.sin(np.pi * k * sound.truth["width"])) / k
    ideal = ideal / (k if sound.truth["shape"] == "triangle" else 1)
    ideal = ideal / np.abs(1 + 5 / (1j * f)) / np.abs(1 + 1j * f / 9000)
    np.testing.assert_allclose(level[1:] / level[0], (ideal / ideal[0])[1:], atol=2e-3)
