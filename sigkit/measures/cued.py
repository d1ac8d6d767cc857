"""What a cue track in another channel adds to a measure: items, directions, places as cued."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from sigkit.arrays import Flags, Real
from sigkit.captures.cues.read import Cue, read_cue
from sigkit.captures.remarks import spoken_place
from sigkit.captures.wav import Capture

if TYPE_CHECKING:
    from sigkit.measures.keyboard.order import Order
    from sigkit.measures.slider.travel import Travel

HAND_S = 0.3
"""A hand goes on this long after a movement was to end, and begins this early."""
NEAR_S = 1.0
"""A pass that is heard belongs to the one that was cued if both ends are this near."""
FOLLOWED = 0.8
"""Least share of the cued passes, or keys, that the sound must bear out."""
STEP_SHARE, MOST_LAG_S = 0.45, 0.6
"""How far from its beep a press may come, in steps from beep to beep; and how late all may be."""
OFF_SEMITONES = 1.5
LATE_S = 1.0
"""A note or a change of note answers a beep at most this long after it."""


def cue_of(capture: Capture | None, test: str) -> tuple[Cue | None, tuple[str, ...]]:
    """Return the cue track of a capture if it is of this test, and what is to be said of it.

    Parameters
    ----------
    capture : Capture or None
        A capture; of one channel, or None, it has no cue.
    test : str
        Name of the bench test.
    """
    if capture is None or capture.channels < 2:
        return None, ()
    cue = read_cue(capture)
    if not cue.found or cue.plan is None:
        return None, ()
    if cue.plan.test != test:
        said = f"channel {cue.channel} holds the cue track of another test, {cue.plan.test}"
        return None, (f"{said}: not used",)
    return cue, (f"by cue: {cue}", *cue.notes)


def cued_travel(cue: Cue | None, heard: Travel, time_s: Real) -> tuple[Travel, tuple[str, ...]]:
    """Return passes and place of a slider as cued, where the sound does not speak against it.

    Parameters
    ----------
    cue : Cue or None
        None leaves all as heard.
    heard : Travel
        Passes and place from the sound.
    time_s : ndarray, shape (n_points,)
        Times of the places.

    Notes
    -----
    A pass that is heard gives its own start and end to the cued one that it belongs to. A control
    that falls where its slider goes up is turned round: the cue is right. Where up and down are
    mixed, the hand did not follow, and all is left as heard.
    """
    rows = _cued_passes(cue)
    if cue is None or rows.empty:
        return heard, ()
    own, same, other = _matched(rows, heard.passes)
    told = same + other
    if told and max(same, other) < FOLLOWED * told:
        why = f"{min(same, other)} of {told} passes go the other way in the sound"
        return heard, (f"places are by the sound, not by the cue: {why}; did the hand follow?",)
    moving: Flags = np.zeros(time_s.size, bool)
    for start, stop in own[["start_s", "stop_s"]].to_numpy(np.float64).tolist():
        moving |= (time_s > start - HAND_S) & (time_s < stop + HAND_S)
    place = cue.position(time_s)
    said = f"place and direction of {len(own)} passes by cue, as cued"
    if other > same:
        said += "; what is heard falls as the slider goes up"
    travel = replace(
        heard,
        passes=own,
        travel_percent=place,
        u_travel_percent=cue.u_position(time_s),
        moving=moving,
        why_none="",
    )
    return travel, (f"{said}; a hand that follows beeps is some 4 % of the travel off.",)


def _cued_passes(cue: Cue | None) -> pd.DataFrame:
    if cue is None:
        return pd.DataFrame()
    moves = cue.items[cue.items["kind"].isin(["up", "down"]) & cue.items["heard"]]
    up = moves["kind"].eq("up").to_numpy(bool)
    return pd.DataFrame(
        {
            "number": 2 * moves["item"].to_numpy(int) - up,
            "direction": moves["kind"].to_numpy(),
            "start_s": moves["start_s"].to_numpy(np.float64),
            "stop_s": moves["stop_s"].to_numpy(np.float64),
            "from_percent": np.where(up, 0.0, 100.0),
            "to_percent": np.where(up, 100.0, 0.0),
        }
    )


def _matched(cued: pd.DataFrame, heard: pd.DataFrame) -> tuple[pd.DataFrame, int, int]:
    """Give cued passes the ends that are heard; count those heard the same and the other way."""
    ends = cued[["start_s", "stop_s"]].to_numpy(np.float64).copy()
    spans = heard[["start_s", "stop_s"]].to_numpy(np.float64)
    ways = heard["direction"].tolist()
    same = other = 0
    for at, way in enumerate(cued["direction"].tolist()):
        start, stop = ends[at].tolist()
        for span, heard_way in zip(spans, ways, strict=True):
            shared = min(float(span[1]), stop) - max(float(span[0]), start)
            if shared < 0.5 * (stop - start):
                continue
            same += heard_way == way
            other += heard_way != way
            if np.all(np.abs(span - (start, stop)) < NEAR_S):
                ends[at] = span
    return cued.assign(start_s=ends[:, 0], stop_s=ends[:, 1]), same, other


def cued_order(
    capture: Capture, order: Order, onset_s: Sequence[float], semitones: Real, keys: int
) -> tuple[Order, list[str]]:
    """Put notes to keys by the beeps, where pitch does not speak against it.

    Parameters
    ----------
    capture : Capture
        The sweep, perhaps with a cue track in another channel.
    order : Order
        What order and pitch say.
    onset_s : sequence of float
        When each note begins.
    semitones : ndarray, shape (n_notes,)
        Pitch of each note above the lowest key's nominal one.
    keys : int
        Number of keys.

    Returns
    -------
    Order
        By the cue, or as it was.
    list of str
        What is to be said.
    """
    cue, notes = cue_of(capture, "keyboard")
    said = list(notes)
    if cue is None or cue.plan is None:
        return order, said
    if cue.plan.keys != keys:
        said.append(f"keys are by pitch: the cue track is for {cue.plan.keys} keys, not {keys}")
        return order, said
    rows = cue.items[cue.items["item"] > 0]
    start, item = rows["start_s"].to_numpy(float), rows["item"].to_numpy(int)
    if start.size < 2 or not len(onset_s):
        return order, said
    turns = np.cumsum(cue.items["kind"].eq("next").to_numpy(int)) + _sweeps_before(cue)
    run = turns[(cue.items["item"] > 0).to_numpy(bool)]
    onset, step = np.array(onset_s, np.float64), float(np.min(np.diff(start)))
    nearest = _nearest(start, onset)
    lag = float(np.median(onset - start[nearest]))
    lag = lag if abs(lag) < min(MOST_LAG_S, STEP_SHARE * step) else 0.0
    nearest = _nearest(start, onset - lag)
    near = np.abs(onset - lag - start[nearest]) < STEP_SHARE * step
    key = np.where(near, item[nearest] - 1, -1)
    off = (np.asarray(semitones) - key)[near]
    shift = round(float(np.median(off))) if off.size else 0
    fit = float(np.mean(np.abs(off - shift) < OFF_SEMITONES)) if off.size else 0.0
    if fit < FOLLOWED:
        said.append(
            f"keys are by pitch, not by the cue: it fits {fit:.0%} of the notes; did the hand "
            "follow?"
        )
        return order, said
    said.append(f"keys are by cue; pressed {1000 * lag:+.0f} ms from the beeps in the median")
    keyed = replace(order, key=tuple(key.tolist()), run=tuple(run[nearest].tolist()), shift=shift)
    return keyed, said


def _sweeps_before(cue: Cue) -> int:
    """Return how many turns of the sweep were not recorded."""
    if cue.plan is None:
        return 0
    every = [step.kind for step in cue.plan.steps]
    return every.count("next") - int((cue.items["kind"] == "next").sum()) if _cut(cue) else 0


def _cut(cue: Cue) -> bool:
    """Return whether a turn was missed at the start, rather than at the end."""
    first = cue.items[cue.items["item"] > 0].iloc[0]
    return str(first["kind"]) == "down"


def _nearest(start: Real, time: Real) -> np.ndarray[tuple[int], np.dtype[np.intp]]:
    out: np.ndarray[tuple[int], np.dtype[np.intp]] = np.argmin(
        np.abs(start[None, :] - time[:, None]), axis=1
    )
    return out


def unanswered(
    capture: Capture, test: str, time_s: Sequence[float], kinds: Sequence[str], what: str
) -> list[str]:
    """Say which beeps of a track nothing in the sound answers.

    Parameters
    ----------
    capture : Capture
        A capture, perhaps with a cue track in another channel.
    test : str
        Name of the bench test.
    time_s : sequence of float
        When notes, or changes of note, begin.
    kinds : sequence of str
        Beeps that ask for one.
    what : str
        What is asked for, in words, such as ``"a press"``.
    """
    cue, notes = cue_of(capture, test)
    said = list(notes)
    if cue is None:
        return said
    asked = cue.items[cue.items["kind"].isin(list(kinds)) & cue.items["heard"]]
    times = np.array(time_s, np.float64)
    starts = asked["start_s"].to_numpy(np.float64)
    late = times[None, :] - starts[:, None]
    answered = np.any((late > -HAND_S) & (late < LATE_S), axis=1)
    every = zip(asked["kind"], asked["item"], starts.tolist(), answered.tolist(), strict=True)
    missing = [
        f"{kind} of {item} at {spoken_place(at, 1)}" for kind, item, at, good in every if not good
    ]
    text = f"{int(answered.sum())} of {len(asked)} beeps for {what} are answered"
    if missing:
        more = ", ..." if len(missing) > 4 else ""
        text += f"; nothing at {', '.join(missing[:4])}{more}"
    return [*said, text]
