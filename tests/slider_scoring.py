"""Score one measured slider sweep against what was planted in it.

Rules
-----
- A found event and a planted one may be matched where the gap between them is 20 ms at most (none:
  they overlap). Every event is matched once at most, as many as can be (`mir_eval`'s maximum
  matching): first only events of the same kind, then what is left over with any kind.
- A found event that is left over and lies within 0.1 s of a planted one is a piece of it, neither
  hit nor false alarm; any other is a false alarm. Those within 0.3 s of a fault of the recorder, in
  a flick, or within 0.1 s of the press or release of the key, or outside them, are told apart.
- A planted event that was not found is a miss, unless it is excused: the tone there is less than
  20 dB above the hiss, or more than 40 dB below the full tone, or its end is within 0.2 s of the
  press or release (`Planted.excused`); or the measure says that it didn't look there
  ('not assessed': less than half of the event's points were). Excused misses are counted, and
  figures that take 'not assessed' for a miss stand beside those that don't.
- Time is asked for where the key is down, the tone at least 20 dB above the hiss and no more than
  40 dB below the full tone; what of it was not assessed is reported, refused sweeps whole.
"""

from __future__ import annotations

import time
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pandas as pd
from mir_eval.util import match_events
from sliders import LEVEL, sweep
from sliders_dirt import FAINT_DB, FOOT_DB, Planted
from voice import RATE

from sigkit.measures.slider import measure_slider

NEAR_S, PIECE_S = 0.02, 0.1
RECORDER_S, KEY_S = 0.3, 0.1
FLICK_S = 0.3  # passes shorter than this are flicks
STEP_S = 0.01
FOUND = ["start_s", "stop_s", "kind", "level_db", "u_level_db", "size_cents", "u_size_cents"]
FOUND += ["direction", "number", "travel_percent", "u_travel_percent"]


@dataclass
class Truth:
    """What is known of a sweep, without its sound."""

    seed: int
    slider: str
    waveform: str
    pitch_hz: float
    snr_db: float  # full tone re hiss
    press_s: float
    release_s: float
    duration_s: float
    passes: pd.DataFrame
    events: list[Planted]
    pops: list[tuple[float, str]]
    tone_db: np.ndarray  # every 10 ms, re the full tone


@dataclass
class Scored:
    """One sweep's planted events and false alarms, and how much of it was looked at."""

    about: dict  # seed, slider, waveform, pitch_hz, snr_db
    planted: pd.DataFrame  # Planted's fields and found_*, assessed, stated_db, miss
    alarms: pd.DataFrame  # FOUND and 'where': '', 'recorder', 'flick' or 'key'
    pieces: int
    asked_s: float
    assessed_s: float  # of the time asked for
    looked_s: float  # all time said to be assessed while the key is down
    refused: str  # why; '' if it was measured
    controls: str  # what the slider was taken for
    floor_db: float
    duration_s: float
    spent_s: float


def truth_of(made, seed):
    """Keep what is known of a sweep but its sound."""
    power = made.clean[: made.clean.size // 480 * 480].reshape(-1, 480) ** 2
    return Truth(
        seed,
        made.kind,
        made.waveform,
        made.pitch_hz,
        20 * np.log10(LEVEL / made.hiss),
        made.press_s,
        made.release_s,
        made.sound.size / RATE,
        made.passes,
        made.events,
        made.pops,
        10 * np.log10(np.maximum(power.mean(axis=1), 1e-20) / LEVEL**2),
    )


def asked(truth):
    """Whether a measure should look, for every 10 ms."""
    t = (np.arange(truth.tone_db.size) + 0.5) * STEP_S
    down = (t > truth.press_s + KEY_S) & (t < truth.release_s - KEY_S)
    return down & (truth.tone_db > max(FOOT_DB, FAINT_DB - truth.snr_db))


def gaps(first, second):
    """Seconds between the events of two tables, 0 where they overlap; shape (n, m)."""
    start, stop = (first[c].to_numpy(float)[:, None] for c in ("start_s", "stop_s"))
    other_start, other_stop = (second[c].to_numpy(float) for c in ("start_s", "stop_s"))
    return np.maximum(np.maximum(start - other_stop, other_start - stop), 0.0)


def matched(planted, found):
    """Return pairs of row numbers: same kinds first, then what is left over."""
    gap = gaps(planted, found)
    same = planted["kind"].to_numpy()[:, None] == found["kind"].to_numpy()[None, :]
    pairs = {}
    for allowed in (same, np.ones_like(same)):
        free_p = [i for i in range(len(planted)) if i not in pairs]
        free_f = [j for j in range(len(found)) if j not in pairs.values()]
        if free_p and free_f:
            far = np.where(allowed, gap, np.inf)[np.ix_(free_p, free_f)]
            for i, j in match_events(
                np.arange(len(free_p)), np.arange(len(free_f)), NEAR_S, lambda _r, _e, far=far: far
            ):
                pairs[free_p[i]] = free_f[j]
    return pairs


def score(truth, result, spent_s=0.0):
    """Score one result."""
    found = result.events.reindex(columns=FOUND).reset_index(drop=True)
    planted = pd.DataFrame(
        [asdict(e) for e in truth.events], columns=[f.name for f in fields(Planted)]
    )
    pairs = matched(planted, found)
    for column in FOUND:
        planted[f"found_{column}"] = [
            found.at[pairs[i], column] if i in pairs else np.nan for i in range(len(planted))
        ]
    planted["covered_percent"] = _of_covered(truth, planted["place_percent"])
    planted["found"] = [i in pairs for i in range(len(planted))]
    planted["assessed"] = [_looked_at(result, e) for e in truth.events]
    planted["stated_db"] = [_stated(result, e) for e in truth.events]
    planted["miss"] = [_miss(*row) for row in zip(*(planted[c] for c in MISS), strict=True)]
    rest = [j for j in range(len(found)) if j not in pairs.values()]
    rest = found.iloc[rest]
    piece = (gaps(rest, planted) <= PIECE_S).any(axis=1) if len(planted) else np.zeros(len(rest))
    alarms = rest[~piece.astype(bool)]
    t = (np.arange(truth.tone_db.size) + 0.5) * STEP_S
    looked = _at(result, t)
    want = asked(truth)
    refused = "" if result.floor.measurable else (result.floor.reason or "no reason")
    about = {k: getattr(truth, k) for k in ("seed", "slider", "waveform", "pitch_hz", "snr_db")}
    return Scored(
        about,
        planted.assign(**about),
        alarms.assign(where=[_where(truth, e) for e in alarms.itertuples()], **about),
        int(piece.sum()),
        float(want.sum() * STEP_S),
        float((want & looked).sum() * STEP_S),
        float((looked & (t > truth.press_s) & (t < truth.release_s)).sum() * STEP_S),
        refused,
        str(result.controls),
        float(result.floor.value),
        truth.duration_s,
        spent_s,
    )


def _of_covered(truth, percent):
    """Places in percent of the travel that the passes cover, as a measure states them."""
    ends = truth.passes.reindex(columns=["from_percent", "to_percent"]).to_numpy(float)
    if not np.isfinite(ends).any():
        return percent
    return 100 * (percent - ends.min()) / np.ptp(ends)


MISS = ("found", "excused", "assessed")


def _miss(found, excused, assessed):
    """'' for a hit, 'missed', or why a miss is excused."""
    if found:
        return ""
    return excused or ("missed" if assessed else "not assessed")


def _at(result, t):
    """Whether the measure looked at the instants ``t``."""
    if not len(result.time_s):
        return np.zeros(len(t), bool)
    near = np.clip(np.searchsorted(result.time_s, t - STEP_S / 2), 0, len(result.time_s) - 1)
    return np.asarray(result.assessed, bool)[near] & (np.abs(result.time_s[near] - t) <= STEP_S)


def _looked_at(result, event):
    t = np.arange(event.start_s - STEP_S, event.stop_s + STEP_S, STEP_S / 2)
    return bool(_at(result, t).mean() >= 0.5)


def _stated(result, event):
    """Level above which the measure says that it finds a burst there, re the tone, in dB."""
    here = (result.time_s > event.start_s - 0.1) & (result.time_s < event.stop_s + 0.1)
    stated = np.asarray(result.found_above_db)[here] - np.asarray(result.tone_db)[here]
    stated = stated[np.isfinite(stated)]
    return float(np.median(stated)) if stated.size else np.nan


def _where(truth, alarm):
    if any(alarm.start_s - RECORDER_S < at < alarm.stop_s + RECORDER_S for at, _ in truth.pops):
        return "recorder"
    if alarm.start_s < truth.press_s + KEY_S or alarm.stop_s > truth.release_s - KEY_S:
        return "key"
    flicks = truth.passes[truth.passes.stop_s - truth.passes.start_s < FLICK_S]
    inside = (alarm.stop_s > flicks.start_s - KEY_S) & (alarm.start_s < flicks.stop_s + KEY_S)
    return "flick" if inside.any() else ""


def run(seed, *, dirty, controls=False, **options):
    """Draw a sweep, measure it and score it; ``controls``: tell the measure what it controls.

    The hiss is 50 to 75 dB below the full tone, unless ``options`` of `sweep` say otherwise.
    """
    made = sweep(seed, dirty=dirty, **{"snr_db": None} | options)
    with TemporaryDirectory() as folder:
        capture = made.capture(Path(folder))
        return score_capture(truth_of(made, seed), capture, controls=controls)


def score_capture(truth, capture, *, controls=False):
    """Measure a capture of a sweep whose truth is given, and score the result."""
    told = truth.slider if controls else None
    begun = time.process_time()
    result = measure_slider(capture, controls=told)
    return score(truth, result, time.process_time() - begun)
