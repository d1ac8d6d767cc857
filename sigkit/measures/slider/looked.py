"""Where a slider's sound is looked at, and how faint a burst shows there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sigkit.measures.slider.control import SHAPED, STEP, control_of, lines_of
from sigkit.measures.slider.floor import floor_by_bin, floor_of
from sigkit.measures.slider.tone import (
    HEADROOM_DB,
    HIDDEN_DB,
    LEAST_S,
    beside_faults,
    flicked,
    heard_bins,
    refuse_tone,
    too_fast,
)
from sigkit.quantity import Quantity
from sigkit.tracks.faults import Test, set_tests
from sigkit.tracks.residual import BIN_S, ResidualTrack

Array = NDArray[np.floating]
Mask = NDArray[np.bool_]

WORST_FLOOR_DB = -25.0
"""A floor above this, re tone, cannot judge a slider."""


class NotMeasurableError(Exception):
    """Why this capture cannot show a slider's dirt."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Looked:
    """Where a slider is looked at.

    Parameters
    ----------
    controls : str
        What the slider controls, as given or found.
    control : ndarray, shape (n_points,)
        How that moves, one point each 10 ms.
    heard, marks, assessed : ndarray of bool, shape (n_bins,)
        Where the tone is loud enough; where faults of the recorder leave marks; where events are
        looked for.
    floor_db : ndarray, shape (n_bins,)
        Floor re tone at each millisecond.
    """

    controls: str
    control: Array
    heard: Mask
    marks: Mask
    assessed: Mask
    floor_db: Array


def look_at(track: ResidualTrack, controls: str | None, recorder: pd.DataFrame) -> Looked:
    """Judge the tone of a track, and say where in it events are looked for.

    Parameters
    ----------
    track : ResidualTrack
        The capture's track.
    controls : str or None
        What the slider controls; None: found from the sound.
    recorder : DataFrame
        The recorder's faults, as from `sigkit.tracks.recorder.faults_seen`.

    Raises
    ------
    NotMeasurableError
        No steady tone, or less than 1 s of it in which dirt could be seen.
    """
    if reason := refuse_tone(track):
        raise NotMeasurableError(reason)
    heard, marks = heard_bins(track), beside_faults(track, recorder)
    lines = lines_of(track)
    found = controls or control_of(track, heard, lines)
    slow = heard & ~too_fast(track) & ~marks
    if found in SHAPED:
        points = lines[found].size * STEP
        quick = flicked(lines[found], heard[:points:STEP])
        slow[:points] &= ~np.repeat(quick, STEP)
    if slow.sum() * BIN_S < LEAST_S:
        raise NotMeasurableError(
            f"less than {LEAST_S:g} s of tone stands {HEADROOM_DB:g} dB above its noise: "
            "play louder or longer, move slower"
        )
    floor_db = floor_by_bin(track, set_tests(track, slow))
    assessed = slow & (floor_db < HIDDEN_DB)
    if assessed.sum() * BIN_S < LEAST_S:
        raise NotMeasurableError(_hidden(float(np.median(floor_db[slow]))))
    return Looked(
        controls=found,
        control=lines[found],
        heard=heard,
        marks=marks,
        assessed=assessed,
        floor_db=floor_db,
    )


def floor_where(track: ResidualTrack, looked: Looked, where: Mask, tests: list[Test]) -> Quantity:
    """Return the floor over a part of what is looked at.

    Raises
    ------
    NotMeasurableError
        That floor is too high to judge a slider.
    """
    floor = floor_of(track, looked.floor_db, where, tests)
    if floor.value > WORST_FLOOR_DB:
        raise NotMeasurableError(_hidden(floor.value))
    return floor


def _hidden(floor_db: float) -> str:
    return (
        f"not measurable with this tone: a burst shows only above {floor_db:.0f} dB re it; move "
        "slower, close the filter or take a steadier note, lower the noise"
    )
