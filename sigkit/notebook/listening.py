"""Before and after to listen to: short excerpts chosen by rule, one gain for all of them."""

from __future__ import annotations

import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import soundfile as sf
from numpy.typing import NDArray

from sigkit.captures.parts import join_parts
from sigkit.captures.wav import Capture
from sigkit.evidence.run.takes import Outcome
from sigkit.measures.result import words
from sigkit.notebook.shown import Shown, player, together
from sigkit.tracks.level import track_level

LONGEST_S = 6.0
HALF_S = 3.0
FADE_S = 0.010
PEAK_DBFS = -6.0
MOST_GAIN_DB = 20.0
QUIET_PEAK_DBFS, QUIET_GAIN_DB = -20.0, 40.0
"""Idle noise is raised further, but never made loud."""
BEFORE_S, AFTER_S = 1.0, 4.0
"""What is heard around the first event of a slider."""


@dataclass(frozen=True)
class Heard:
    """An excerpt.

    Parameters
    ----------
    samples : ndarray, shape (n_samples,)
        The sound, full scale 1, faded in and out.
    rate : int
        Sample rate in Hz.
    what : str
        Which part of which sound, in words.
    """

    samples: NDArray[np.float64]
    rate: int
    what: str


def heard_stages(shown: Mapping[str, Outcome]) -> Shown:
    """Return a player for each stage, all at one gain.

    Parameters
    ----------
    shown : mapping of str to Outcome
        One measured take of each stage.
    """
    excerpts = [_excerpt(stage, outcome) for stage, outcome in shown.items()]
    quiet = all(outcome.take.name.test == "noise" for outcome in shown.values())
    return players(excerpts, quiet=quiet)


def players(excerpts: Sequence[Heard], *, quiet: bool = False) -> Shown:
    """Return a player for each excerpt, all at one gain, with time, level and gain beside it."""
    peak = max((float(np.abs(e.samples).max(initial=0.0)) for e in excerpts), default=0.0)
    loudest, most = (QUIET_PEAK_DBFS, QUIET_GAIN_DB) if quiet else (PEAK_DBFS, MOST_GAIN_DB)
    gain_db = min(math.floor(loudest - 20 * math.log10(peak)), most) if peak > 0 else 0.0
    parts = []
    for excerpt in excerpts:
        rms = math.sqrt(2 * float(np.mean(np.square(excerpt.samples)))) if peak > 0 else 0.0
        level = f"{20 * math.log10(rms):.0f} dBFS" if rms > 0 else "silent"
        loudness = f"level {level}, played {gain_db:+.0f} dB".replace("-", "\N{MINUS SIGN}")
        caption = f"{excerpt.what}; {loudness}"
        wav = _wav(excerpt.samples * 10 ** (gain_db / 20), excerpt.rate)
        parts.append(player(wav, caption))
    return together(parts)


def _excerpt(stage: str, outcome: Outcome) -> Heard:
    take, result = outcome.take, outcome.result
    assert result is not None
    capture = join_parts(take.paths, result.source.channel, gap_s=take.gap_s)
    name, test = f"{words(stage)}, {take.path.name}", take.name.test
    if test == "slider":
        return _around_first(capture, outcome, name)
    if test == "warmup" and capture.duration_s > 4 * HALF_S:
        return _both_ends(capture, outcome, name)
    start_s, why = 0.0, ""
    if test == "noise":
        start_s, why = _quietest(capture), " (its quietest part)"
    stop_s = min(start_s + LONGEST_S, capture.duration_s)
    samples = faded(capture.read(start_s, stop_s), capture.rate)
    return Heard(samples, capture.rate, f"{name}, {start_s:.1f} to {stop_s:.1f} s{why}")


def _around_first(capture: Capture, outcome: Outcome, name: str) -> Heard:
    """Return the sound around the largest event of a slider, or its beginning."""
    assert outcome.result is not None
    events = outcome.result.tables()["events"]
    at_s, why = BEFORE_S, "no event in this capture"
    if len(events):
        loudest = int(np.argmax(events["level_db"].fillna(-math.inf).to_numpy()))
        at_s = float(events["start_s"].iloc[loudest])
        why = f"the loudest event, at {at_s:.2f} s"
        within = events["start_s"].between(at_s - BEFORE_S, at_s + AFTER_S)
        why += f"; {int(within.sum())} in all here"
    start_s = max(0.0, at_s - BEFORE_S)
    stop_s = min(capture.duration_s, start_s + BEFORE_S + AFTER_S)
    samples = faded(capture.read(start_s, stop_s), capture.rate)
    return Heard(samples, capture.rate, f"{name}, {start_s:.1f} to {stop_s:.1f} s ({why})")


def _both_ends(capture: Capture, outcome: Outcome, name: str) -> Heard:
    """Return the first and the last seconds of a tone, one after the other."""
    assert outcome.result is not None
    time = outcome.result.tables()["curve"].dropna()["time_s"]
    first = float(time.iloc[0]) if len(time) else 0.0
    first = min(max(first + 0.5, 0.0), capture.duration_s - 2 * HALF_S)
    last = capture.duration_s - HALF_S - 0.1
    ends = [faded(capture.read(at, at + HALF_S), capture.rate) for at in (first, last)]
    what = (
        f"{name}, {first:.1f} to {first + HALF_S:.1f} s, and straight after it "
        f"{last:.1f} to {last + HALF_S:.1f} s"
    )
    return Heard(np.concatenate(ends), capture.rate, what)


def _quietest(capture: Capture) -> float:
    """Return where the quietest stretch begins that is long enough to be heard."""
    track = track_level(capture)
    level = 10 ** (np.asarray(track.level_dbfs) / 10)
    apart_s = float(np.median(np.diff(track.time_s))) if len(level) > 1 else LONGEST_S
    width = min(len(level), max(1, round(LONGEST_S / apart_s)))
    # The loudest moment of a stretch counts: none may hold the beginning of a note.
    stretches = np.lib.stride_tricks.sliding_window_view(level, width).max(axis=1)
    return max(0.0, float(track.time_s[int(np.argmin(stretches))]) - apart_s / 2)


def faded(samples: NDArray[np.floating], rate: int) -> NDArray[np.float64]:
    """Return a copy that begins and ends without a click."""
    sound = np.array(samples, dtype=np.float64)
    fade = min(round(FADE_S * rate), sound.size // 2)
    ramp = (np.arange(fade) + 0.5) / max(fade, 1)
    sound[:fade] *= ramp
    sound[sound.size - fade :] *= ramp[::-1]
    return sound


def _wav(samples: NDArray[np.float64], rate: int) -> bytes:
    file = io.BytesIO()
    sf.write(file, samples, rate, format="WAV", subtype="PCM_16")
    return file.getvalue()
