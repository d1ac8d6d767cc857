"""Real crackle in real notes: pieces of a worn record's noise at known times and levels.

Debian packages ``sonic-pi-samples`` (CC0: ``vinyl_hiss.flac``, ``vinyl_scratch.flac``, notes of
synthesizer basses), ``lmms-common`` (GPL-2+: church organs, a flute, a piano) and ``freepats``
(GPL-2+ with a composition exception: flutes, an organ, a synthesizer bass). Nobody has planted
anything in the notes themselves: whatever is found in them alone is a false alarm.
"""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import slider_figures as figures
import soundfile as sf
from scipy import signal
from slider_scoring import Truth, score
from sliders_dirt import Planted

from sigkit.captures.wav import open_capture
from sigkit.measures.slider import measure_slider

_spec = importlib.util.spec_from_file_location(
    "freepats_notes", Path(__file__).with_name("freepats.py")
)
freepats = sys.modules["freepats_notes"] = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(freepats)

pytestmark = pytest.mark.recordings

PLAIN = "usr/share/sonic-pi/samples"
ORGANS = "usr/share/lmms/samples/instruments"
NOTES = {
    f"{PLAIN}/bass_trance_c.flac": None,
    f"{PLAIN}/bass_woodsy_c.flac": None,
    f"{PLAIN}/bass_thick_c.flac": None,
    f"{ORGANS}/church_organ01.ogg": None,
    f"{ORGANS}/church_organ02.ogg": None,
    f"{ORGANS}/church_organ03.ogg": None,
    f"{ORGANS}/church_organ04.ogg": None,
    f"{ORGANS}/flute01.ogg": None,
    f"{ORGANS}/piano02.ogg": None,
    f"{freepats.FOLDER}/038_Synth_Bass_1.pat": (0,),
    f"{freepats.FOLDER}/073_Flute.pat": (0, 1, 2),
    f"{freepats.FOLDER}/016_*.pat": (3, 4),
}
PIECE_S, APART_S = 0.012, 0.35
LEVELS_DB = (-35.0, -12.0)


def notes():
    """Yield every note: its name, samples and rate."""
    for path, which in NOTES.items():
        file = next(freepats.recordings().glob(path))
        if which is None:
            samples, rate = sf.read(file, always_2d=True)
            yield file.stem, samples[:, 0], rate
        else:
            found = freepats.read_notes(file)
            for k in which:
                yield f"{file.stem} {k}", found[k].samples, found[k].rate


def crackle():
    """Return the loudest pieces of the record's noise, apart, faded in and out, and the scratch.

    Above 500 Hz only: below it the record rumbles, which no slider does.
    """
    folder = freepats.recordings() / PLAIN
    noise, rate = sf.read(folder / "vinyl_hiss.flac", always_2d=True)
    scratch, _ = sf.read(folder / "vinyl_scratch.flac", always_2d=True)
    high = signal.butter(4, 500, "high", fs=rate, output="sos")
    noise, scratch = (signal.sosfiltfilt(high, x[:, 0]) for x in (noise, scratch))
    size, step = int(PIECE_S * rate), rate // 1000
    fade = signal.windows.tukey(size, 0.3)
    power = (noise[: noise.size // step * step].reshape(-1, step) ** 2).mean(axis=1)
    order, pieces, taken = np.argsort(power)[::-1], [], np.zeros(power.size, bool)
    for i in order[power[order] > 20 * np.median(power)]:
        start = i * step - size // 3
        if not taken[max(i - 30, 0) : i + 30].any() and 0 <= start < noise.size - size:
            taken[i] = True
            pieces.append(noise[start : start + size] * fade)
    middle = np.argmax(np.abs(scratch))
    start = np.clip(middle - 2 * size, 0, len(scratch) - 4 * size)
    pieces.append(scratch[start : start + 4 * size] * signal.windows.tukey(4 * size, 0.3))
    return pieces, rate


def spoil(samples, rate, rng):
    """Return a note with crackle in it, and what was planted."""
    pieces, own = crackle()
    step = rate // 100
    level = np.sqrt((samples[: samples.size // step * step].reshape(-1, step) ** 2).mean(axis=1))
    sounding = np.flatnonzero(level > level.max() / 10) * 0.01
    out, events = samples.copy(), []
    at = sounding[0] + 0.35
    while at < sounding[-1] - 0.35:
        piece = pieces[int(rng.integers(len(pieces)))]
        piece = signal.resample_poly(piece, rate, own) if rate != own else piece
        a = int(at * rate)
        b = a + piece.size
        tone = np.sqrt(np.mean(samples[a - rate // 50 : b + rate // 50] ** 2))
        asked_db = float(rng.uniform(*LEVELS_DB))
        piece = piece * tone * 10 ** (asked_db / 20) / np.sqrt(np.mean(piece**2))
        energy = np.cumsum(piece**2) / np.sum(piece**2)
        first, last = np.searchsorted(energy, [0.005, 0.995])
        level_db = asked_db + 10 * np.log10(piece.size / max(last + 1 - first, rate // 1000))
        out[a:b] += piece
        where = (np.nan, np.nan, np.nan, "", 0)
        times = ((a + first) / rate, (a + last + 1) / rate)
        events.append(Planted(*times, "burst", "added", level_db, *where))
        at += piece.size / rate + rng.uniform(APART_S, 2 * APART_S)
    return out, events


def truth_of(name, samples, rate, events):
    step = rate // 100
    power = (samples[: samples.size // step * step].reshape(-1, step) ** 2).mean(axis=1)
    tone_db = 10 * np.log10(np.maximum(power / power.max(), 1e-12))
    no_passes = pd.DataFrame({"start_s": [], "stop_s": []})
    length = samples.size / rate
    return Truth(
        0, "level", name, np.nan, 60.0, 0.0, length, length, no_passes, events, [], tone_db
    )


def measured(samples, rate, folder):
    path = folder / "slider-note.wav"
    sf.write(path, samples, rate, subtype="FLOAT")
    return measure_slider(open_capture(path), controls="level")


@pytest.fixture(scope="module")
def alone(tmp_path_factory):
    """Every note as it was recorded, and as a hand's fade takes it 20 dB down and up."""
    folder, out = tmp_path_factory.mktemp("notes"), {}
    for name, samples, rate in notes():
        out[name] = measured(samples, rate, folder)
        t = np.arange(samples.size) / rate
        faded = samples * 10 ** (-0.5 * (1 - np.cos(2 * np.pi * t / 3)))
        out[f"{name}, faded"] = measured(faded, rate, folder)
    return out


@pytest.fixture(scope="module")
def spoilt(tmp_path_factory):
    folder, out = tmp_path_factory.mktemp("spoilt"), []
    for seed, (name, samples, rate) in enumerate(notes()):
        for again in range(3):
            sound, events = spoil(samples, rate, np.random.default_rng([seed, again]))
            truth = truth_of(name, samples, rate, events)
            out.append(score(truth, measured(sound, rate, folder)))
    return out


def test_there_are_many_pieces_of_crackle():
    pieces, _ = crackle()
    assert len(pieces) > 20
    assert all(np.abs(p).max() > 0 for p in pieces)


UNEVEN = ("bass_woodsy_c", "bass_thick_c")
"""Notes whose voices beat and whose attack lasts: what they do from period to period is no dirt."""


def test_notes_alone_give_no_event(alone):
    found = {name: len(r.events) for name, r in alone.items() if not name.startswith(UNEVEN)}
    assert len(found) > 20
    assert not any(found.values()), found


@pytest.mark.xfail(reason="two events in each of two notes of several voices", strict=True)
def test_notes_of_several_voices_give_no_event_either(alone):
    assert not any(len(r.events) for name, r in alone.items() if name.startswith(UNEVEN))


def test_notes_that_are_not_refused_state_a_floor_and_those_refused_say_why(alone):
    heard = [r for r in alone.values() if r.floor.measurable]
    assert len(heard) >= 4
    for r in alone.values():
        assert r.floor.value < 0 if r.floor.measurable else r.floor.reason


def test_crackle_above_the_stated_floor_is_found(spoilt):
    """19 of 20 are claimed; fails where exact 95 % limits of the share exclude that."""
    table = figures.stated_floor(spoilt)
    hits, count = map(int, table.loc["all bursts", "above the floor"].split()[0].split("/"))
    assert count >= 20
    assert figures.binomial_limits(hits, count)[1] >= 0.95, table.to_string()
    assert hits / count >= 0.8


def test_levels_of_crackle_are_told(spoilt):
    """By energy, which doesn't depend on where an event is cut off."""
    errors = figures.error_table(spoilt).loc["burst energy, dB"]
    assert errors["n"] >= 15
    assert abs(errors["bias"]) < 1.5
    assert errors["median"] < 2
