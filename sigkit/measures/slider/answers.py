"""The answers of a slider pass: what was found, what would have been, or why there are none."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from sigkit.measures.result import Source
from sigkit.measures.slider.events import COLUMNS
from sigkit.measures.slider.floor import LOUD_DB, MET
from sigkit.measures.slider.lines import residual_lines
from sigkit.measures.slider.passes import count_passes, counted, events_per_pass, passes_table
from sigkit.measures.slider.result import SliderResult
from sigkit.measures.slider.sizes import largest_jump, longest_dropout
from sigkit.measures.slider.spots import spots_of
from sigkit.measures.slider.tone import LEAST_S
from sigkit.measures.slider.travel import travel_of
from sigkit.quantity import Quantity, Term, combine, not_measurable
from sigkit.tracks.pitch_jumps import SIGMAS
from sigkit.tracks.recorder import COLUMNS as FAULT_COLUMNS
from sigkit.tracks.residual import BIN_S, ResidualTrack

Array = NDArray[np.floating]
Mask = NDArray[np.bool_]

MISSED = 2.0
"""Standard deviations by which a jump must exceed its limit, so that 19 of 20 are found."""
FOUND_DROP_S = 0.004
"""Dropouts from this length on were told from bursts in 301 of 301 simulated cases (of 3 to 4 ms in
12 of 16)."""
UNITS = {
    "events_per_pass": "per pass",
    "event_rate": "1/s",
    "worst_level": "dB",
    "longest_dropout": "s",
    "largest_jump": "cents",
    "energy_ratio": "dB",
    "travel_affected": "%",
    "fixed_spots": "",
    "floor": "dB",
    "not_assessed": "%",
}
"""Unit of each answer."""


def counts_of(
    events: pd.DataFrame, passes: pd.DataFrame, exposure_s: float, *, why_none: str
) -> dict[str, Any]:
    """Return how many events come a second and a pass, and the counts behind both."""
    number, each = len(counted(events)), count_passes(passes)
    return {
        "event_rate": _rate(number, exposure_s),
        "events_per_pass": events_per_pass(passes, why_none=why_none),
        "counts": {
            "event_rate": (number, exposure_s),
            "events_per_pass": (each.number, each.exposure),
        },
    }


def largest_of(events: pd.DataFrame, floor: Quantity, controls: str) -> dict[str, Any]:
    """Return the largest of each kind of event."""
    return {
        "worst_level": _worst(counted(events), floor),
        "longest_dropout": longest_dropout(events),
        "largest_jump": _largest_jump(events, controls),
    }


def _rate(number: int, exposure_s: float) -> Quantity:
    if exposure_s < LEAST_S:
        return not_measurable("1/s", "less than 1 s of movement could be assessed: move slower")
    u = math.sqrt(number) if number else 1.5
    return combine(number / exposure_s, "1/s", [Term("counting", u / exposure_s, "A")])


def _worst(hits: pd.DataFrame, floor: Quantity) -> Quantity:
    bursts = hits[hits["kind"] == "burst"]
    if bursts.empty:
        return not_measurable(
            "dB",
            f"no burst found above the floor of {floor.value:.0f} dB, which holds while the tone "
            f"is within {LOUD_DB:g} dB of its loudest",
        )
    level, u = (bursts[name].to_numpy(float) for name in ("level_db", "u_level_db"))
    worst = int(np.argmax(level))
    terms = [Term("noise and ends of the burst", float(u[worst]), "A")]
    if more := u_of_another(level, u):
        terms.append(Term("another burst, less sure, may be louder", more, "A"))
    return combine(float(level[worst]), "dB", terms)


def u_of_another(level: Array, u: Array) -> float:
    """Return what others may add to the uncertainty of the largest of some values.

    Parameters
    ----------
    level, u : ndarray, shape (n,)
        Values found, and their standard uncertainties.

    Returns
    -------
    float
        The largest true value lies that much farther from the largest found one, rms, than that
        one's own true value does, with each true value normal about the one found; 0 for one.
    """
    top, own = float(level.max()), float(u[np.argmax(level)])
    x = np.linspace(top - 6 * own, float((level + 6 * u).max()), 4001)
    share = np.prod(special.ndtr((x[:, None] - level) / u), axis=1)
    square = float(np.sum((x[1:] / 2 + x[:-1] / 2 - top) ** 2 * np.diff(share)))
    square += float(share[0]) * (6 * own) ** 2
    return math.sqrt(square - own**2) if square > 1.0001 * own**2 else 0.0


def _largest_jump(events: pd.DataFrame, found: str) -> Quantity:
    if found != "pitch":
        return not_measurable("cents", "looked for on sliders of pitch only")
    return largest_jump(events)


def not_assessed(track: ResidualTrack, assessed: Mask) -> Quantity:
    """Return the share of the sounding time that was not looked at; one bin may be off."""
    sounding = max(int(track.tone.sum()), 1)
    share = 100 * (1 - int((assessed & track.tone).sum()) / sounding)
    grid = Term("1 ms bins at the ends", 100 * 10 / sounding, "B")
    return combine(share, "%", [grid])


def bounds_of(events: pd.DataFrame, floor: Quantity, limit: Array | None) -> dict[str, Quantity]:
    """Return the bounds of what was looked for and not found; ``limit`` is that of pitch steps."""
    kinds = set(counted(events)["kind"])
    out = {}
    if "burst" not in kinds:
        out["worst_level"] = floor
    if "dropout" not in kinds:
        grid = Term("bins of 1 ms at both ends", BIN_S / math.sqrt(6), "B")
        out["longest_dropout"] = combine(FOUND_DROP_S, "s", [grid])
    if limit is not None and "pitch jump" not in kinds:
        scatter = float(np.quantile(limit, MET)) / SIGMAS
        term = Term("scatter of the pitch's own steps", scatter, "A")
        out["largest_jump"] = combine((SIGMAS + MISSED) * scatter, "cents", [term])
    return out


def refused(
    source: Source, asked: str | None, reason: str, track: ResidualTrack | None
) -> SliderResult:
    """Return a result without answers, and why."""
    answers: dict[str, Any] = {n: not_measurable(unit, reason) for n, unit in UNITS.items()}
    lines = residual_lines(track, None)
    del lines["tone_dbfs"]
    nothing = np.full(lines["time_s"].size, np.nan)
    events = pd.DataFrame([], columns=COLUMNS).astype({"kind": str, "moving": bool, "number": int})
    none = travel_of(np.zeros(0), np.zeros(0), np.zeros(0, bool), least=1.0).passes
    passes = passes_table(none, events, np.zeros(0), np.zeros(0, bool))
    return SliderResult(
        source=source,
        settings={"controls": asked},
        **answers,
        events=events,
        passes=passes,
        spots=spots_of(events, passes),
        recorder_faults=pd.DataFrame(columns=FAULT_COLUMNS),
        controls=asked or "",
        movement_s=math.nan,
        assessed_s=0.0,
        counts={},
        bounds={},
        control=nothing,
        travel_percent=nothing,
        **lines,
    )
