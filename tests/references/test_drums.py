"""Real drums and cymbals: order of their envelopes, and refusal of what they do not have.

Debian package ``sonic-pi-samples`` (CC0), ``bd_*`` and ``drum_*``. Nobody has measured their times;
what is known is what they are: struck once, so one note each, an attack of milliseconds, no
sustain, and no key that is let go.
"""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf
from scipy import stats

from sigkit.captures.wav import open_capture
from sigkit.measures.envelope import measure_envelope

_spec = importlib.util.spec_from_file_location(
    "freepats_notes", Path(__file__).with_name("freepats.py")
)
freepats = sys.modules["freepats_notes"] = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(freepats)

pytestmark = pytest.mark.recordings

STRUCK = (
    *("bd_808", "bd_haus", "bd_pure", "bd_zome", "bd_zum", "drum_bass_hard", "drum_cowbell"),
    *("drum_cymbal_closed", "drum_cymbal_hard", "drum_cymbal_open", "drum_cymbal_pedal"),
    *("drum_cymbal_soft", "drum_snare_hard", "drum_snare_soft", "drum_splash_hard"),
    *("drum_splash_soft", "drum_tom_hi_hard", "drum_tom_mid_hard"),
)


@pytest.fixture(scope="module")
def drums(tmp_path_factory):
    """Each drum with a second of a recorder's hiss before and after it: sound, rate, result."""
    folder = tmp_path_factory.mktemp("drums")
    out = {}
    for name in STRUCK:
        path = freepats.recordings() / f"usr/share/sonic-pi/samples/{name}.flac"
        samples, rate = sf.read(path, always_2d=True)
        sound = np.concatenate([np.zeros(rate), 0.5 * samples[:, 0], np.zeros(rate)])
        sound += np.random.default_rng(1).normal(0, 1e-5, sound.size)
        sf.write(folder / f"{name}.wav", sound, rate, subtype="FLOAT")
        out[name] = sound, rate, measure_envelope(open_capture(folder / f"{name}.wav"))
    return out


def test_a_drum_is_one_note_that_begins_where_it_is_struck(drums):
    """A tom or a kick whose two modes beat may look like two; no more than one in six does."""
    counts = {name: len(result.notes) for name, (_, _, result) in drums.items()}
    assert all(count >= 1 for count in counts.values())
    assert sum(count > 1 for count in counts.values()) <= len(counts) / 6
    for name, (sound, rate, result) in drums.items():
        onset = result.notes["onset_s"].iloc[0]
        level = np.abs(sound)
        heard = np.argmax(level > 0.05 * level.max()) / rate
        assert onset == pytest.approx(heard, abs=0.06), name


def test_no_sustain_is_read_into_a_drum(drums):
    """Of drums whose level is down by 3 dB within 50 ms, as that of ``drum_cowbell`` is not."""
    for name, (sound, rate, result) in drums.items():
        level = np.convolve(sound**2, np.ones(rate // 50), mode="valid")
        top = int(np.argmax(level))
        if level[top + rate // 20] < 0.5 * level[top]:
            assert not result.notes["sustain_db"].iloc[0] > -3, name
        assert result.notes["reason"].str.len().min() > 0, name


def test_decays_come_in_the_order_in_which_librosa_hears_them(drums):
    """Time from the loudest frame of ``librosa.feature.rms`` until 20 dB below it."""
    import librosa

    ours, theirs = [], []
    for sound, rate, result in drums.values():
        decay = result.notes["decay_time_constant_s"].iloc[0]
        if np.isfinite(decay):
            rms = librosa.feature.rms(y=sound, frame_length=1024, hop_length=128)[0]
            top = int(np.argmax(rms))
            below = np.flatnonzero(rms[top:] < 0.1 * rms[top])
            ours.append(decay)
            theirs.append(below[0] * 128 / rate)
    assert len(ours) >= 8
    assert stats.spearmanr(ours, theirs).statistic > 0.8
