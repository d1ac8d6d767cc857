"""What is to be said beside the numbers of a slider pass."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sigkit.captures.remarks import spoken_place
from sigkit.measures.slider.floor import MOVED_DB
from sigkit.measures.slider.spots import first_pass_apart
from sigkit.tracks.residual import BIN_S, ResidualTrack

Array = NDArray[np.floating]
Mask = NDArray[np.bool_]


def notes_of(
    track: ResidualTrack,
    controls: str,
    events: pd.DataFrame,
    passes: pd.DataFrame,
    floor_db: Array,
    assessed: Mask,
    moving: Mask | None,
    exposure: float,
    recorder: pd.DataFrame,
    why_none: str,
) -> tuple[str, ...]:
    """Return what is to be said beside the numbers of a result.

    Parameters
    ----------
    track : ResidualTrack
        The capture's track.
    controls : str
        What the slider controls.
    events, passes, recorder : DataFrame
        Events, passes and the recorder's faults.
    floor_db : ndarray, shape (n_bins,)
        Floor re tone at each millisecond.
    assessed : ndarray of bool, shape (n_bins,)
        Where events were looked for.
    moving : ndarray of bool, shape (n_points,), or None
        Where the slider moves; None if no movement was seen.
    exposure : float
        Seconds of movement, or of tone, that were assessed.
    why_none : str
        Why places and passes are not told though the control moves; empty where they are.
    """
    quiet = float(np.quantile(floor_db[assessed], 0.9))
    moved = quiet + MOVED_DB[controls]
    notes = [
        f"Events per second of slider movement; {exposure:.1f} s of movement assessed."
        if moving is not None
        else f"{'Places not told' if why_none else 'No movement seen'}: events per second of tone, "
        f"{exposure:.1f} s.",
        f"Nine tenths of the assessed time: floor below {quiet:.0f} dB re the tone there for noise "
        f"that a contact adds, {moved:.0f} dB for dirt that moves the tone itself.",
    ]
    if why_none:
        notes.append(f"{why_none[0].upper()}{why_none[1:]}.")
    left = float((track.tone & ~assessed).sum() * BIN_S)
    if left > 0.5:
        notes.append(
            f"{left:.1f} s of tone not assessed: too soft, too fast, or at the ends of a note."
        )
    if len(recorder):
        told = zip(recorder["kind"][:4], recorder["time_s"].to_numpy(float), strict=False)
        at = ", ".join(f"{kind} at {spoken_place(time_s)}" for kind, time_s in told)
        notes.append(
            f"{len(recorder)} fault(s) of the recorder, not looked at and no dirt: {at}"
            f"{', ...' if len(recorder) > 4 else ''}."
        )
    resting = int((~events["moving"]).sum())
    if resting:
        notes.append(f"{resting} event(s) while the slider was at rest: listed, not counted.")
    apart = str(first_pass_apart(passes))
    if apart:
        notes.append(f"{apart[0].upper()}{apart[1:]}.")
    return tuple(notes)
