"""Slider results made by hand from passes and events: what a measure would hand on, truth known."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
import pandas as pd

from sigkit.measures.result import Result, Source
from sigkit.quantity import Quantity, Term, combine, not_measurable

REST_S = 1.0
UNITS = {
    "event_rate": "1/s",
    "worst_level": "dB",
    "floor": "dB",
    "events_per_pass": "per pass",
    "longest_dropout": "s",
    "largest_jump": "cents",
    "energy_ratio": "dB",
    "travel_affected": "%",
    "fixed_spots": "",
    "not_assessed": "%",
}


@dataclass(frozen=True, kw_only=True, eq=False)
class Made(Result):
    test: ClassVar[str] = "slider"

    event_rate: Quantity
    worst_level: Quantity
    floor: Quantity
    events_per_pass: Quantity
    longest_dropout: Quantity
    largest_jump: Quantity
    energy_ratio: Quantity
    travel_affected: Quantity
    fixed_spots: Quantity
    not_assessed: Quantity
    events: pd.DataFrame
    passes: pd.DataFrame
    spots: pd.DataFrame
    controls: str
    movement_s: float
    assessed_s: float
    counts: Mapping[str, tuple[int, float]]
    time_s: np.ndarray
    tone_db: np.ndarray
    control: np.ndarray
    travel_percent: np.ndarray
    residual_db: np.ndarray
    found_above_db: np.ndarray
    assessed: np.ndarray

    def at_most(self):
        nothing = not self.worst_level.measurable and self.floor.measurable
        return {"worst_level": self.floor} if nothing else {}

    def plot(self, ax=None):
        from sigkit.charts.slider import draw_slider

        return draw_slider(self, ax)


def event(number, percent, kind="burst", level_db=-30.0, **more):
    """One event: in which pass, where on the travel, what."""
    return {"number": number, "travel_percent": percent, "kind": kind, "level_db": level_db, **more}


def spread(counts, *, seed=0, level_db=-30.0):
    """Bursts at random places, as many in each pass as asked for."""
    random = np.random.default_rng(seed)
    return [
        event(number, random.uniform(8, 97), level_db=level_db + random.uniform(-3, 3))
        for number, count in enumerate(counts, start=1)
        for _ in range(count)
    ]


def made(
    events=(),
    *,
    passes=10,
    travel_s=4.0,
    floor_db=-55.0,
    quiet_end_db=-40.0,
    hidden=(),
    travel=True,
    controls="level",
    name="slider-volume.wav",
):
    """Return a result of passes up and down, each ``travel_s`` long with a rest behind it.

    ``floor_db`` is a number or a function of the travel in percent; ``hidden`` is a stretch of the
    travel that is not assessed.
    """
    rows = []
    for number in range(1, passes + 1):
        start, up = REST_S + (number - 1) * (travel_s + REST_S), number % 2 == 1
        ends = (0.0, 100.0) if up else (100.0, 0.0)
        rows.append((number, "up" if up else "down", start, start + travel_s, *ends, travel_s))
    columns = ["number", "direction", "start_s", "stop_s", "from_percent", "to_percent"]
    table = pd.DataFrame(rows, columns=[*columns, "assessed_s"])
    table["events"] = [sum(e["number"] == n for e in events) for n in table["number"]]
    length = REST_S + passes * (travel_s + REST_S)
    time = np.arange(round(length * 100)) / 100
    knots = table[["start_s", "stop_s"]].to_numpy().ravel()
    places = table[["from_percent", "to_percent"]].to_numpy().ravel()
    percent = np.interp(time, knots, places)
    floor = floor_db(percent) if callable(floor_db) else np.full(time.size, float(floor_db))
    tone = quiet_end_db * (1 - percent / 100) ** 2
    assessed = np.ones(time.size, bool)
    for low, high in hidden:
        assessed &= (percent < low) | (percent > high)
    listed = pd.DataFrame(
        [_listed(e, table, time, tone, floor) for e in events],
        columns=[
            *("start_s", "stop_s", "kind", "level_db", "u_level_db", "depth_db", "size_cents"),
            *("u_size_cents", "tone_dbfs", "floor_db", "moving", "number", "direction"),
            *("travel_percent", "u_travel_percent"),
        ],
    ).astype({"kind": str, "moving": bool, "direction": str})
    if not travel:
        percent, table = np.full(time.size, np.nan), table.iloc[:0]
        listed = listed.assign(number=0, direction="", travel_percent=np.nan)
    movement = passes * travel_s
    return Made(
        source=Source(name=name, rate=48000, channel=0, duration_s=length),
        settings={"controls": controls},
        **_quantities(listed, table, movement, float(np.quantile(floor[tone > -6], 0.9))),
        events=listed,
        passes=table,
        spots=_spots(listed, table),
        controls=controls,
        movement_s=movement,
        assessed_s=movement,
        counts={"event_rate": (len(listed), movement)},
        time_s=time,
        tone_db=tone,
        control=tone,
        travel_percent=percent,
        residual_db=tone + floor - 12,
        found_above_db=np.where(assessed, tone + floor, np.nan),
        assessed=assessed,
    )


def refused(reason, *, name="slider-volume.wav"):
    """Return a result that measured nothing."""
    blank = made(passes=1, name=name)
    nothing = {key: not_measurable(unit, reason) for key, unit in UNITS.items()}
    fields = {f: getattr(blank, f) for f in vars(blank)}
    fields |= nothing | {"passes": blank.passes.iloc[:0], "spots": blank.spots.iloc[:0]}
    return Made(**fields | {"counts": {}, "assessed": np.zeros(blank.time_s.size, bool)})


def _listed(one, table, time, tone, floor):
    row = table[table["number"] == one["number"]].iloc[0]
    span = row["to_percent"] - row["from_percent"]
    share = (one["travel_percent"] - row["from_percent"]) / span
    start = row["start_s"] + share * (row["stop_s"] - row["start_s"])
    dropout, jump = one["kind"] == "dropout", one["kind"] == "pitch jump"
    return {
        "start_s": start,
        "stop_s": start + one.get("length_s", 0.02),
        "u_level_db": 1.0,
        "depth_db": 25.0 if dropout else np.nan,
        "size_cents": one.get("size_cents", 60.0 if jump else np.nan),
        "u_size_cents": 2.0 if jump else np.nan,
        "tone_dbfs": -12 + np.interp(start, time, tone),
        "floor_db": np.interp(start, time, floor),
        "moving": True,
        "direction": row["direction"],
        "u_travel_percent": 1.0,
        **one,
    }


def _spots(events, table):
    rows = []
    for part in range(20):
        low, high = 5.0 * part, 5.0 * (part + 1)
        inside = events["travel_percent"].between(low, high, inclusive="left")
        if inside.any():
            hit = events[inside]["number"].nunique()
            fixed = hit >= 3 and hit > len(table) / 2
            rows.append((low + 2.5, 5.0, len(table), hit, int(inside.sum()), fixed))
    columns = ["travel_percent", "width_percent", "passes_over", "passes_hit", "events", "fixed"]
    return pd.DataFrame(rows, columns=columns).astype({"fixed": bool})


def _quantities(events, passes, movement, floor):
    def some(value, unit, u):
        return combine(float(value), unit, [Term("made", float(u), "A")])

    bursts = events[events["kind"] == "burst"]["level_db"]
    dropouts = events[events["kind"] == "dropout"]
    jumps = events["size_cents"].abs().dropna()
    n, count = len(events), len(passes)
    nowhere = "no passes seen in the level"
    return {
        "event_rate": some(n / movement, "1/s", max(n, 2.25) ** 0.5 / movement),
        "worst_level": some(bursts.max(), "dB", 1.0)
        if len(bursts)
        else not_measurable("dB", f"no burst found above the floor of {floor:.0f} dB"),
        "floor": some(floor, "dB", 0.5),
        "events_per_pass": some(n / count, "per pass", max(n, 2.25) ** 0.5 / count)
        if count
        else not_measurable("per pass", nowhere),
        "longest_dropout": some((dropouts["stop_s"] - dropouts["start_s"]).max(), "s", 0.001)
        if len(dropouts)
        else not_measurable("s", "no dropout found"),
        "largest_jump": some(jumps.max(), "cents", 2.0)
        if len(jumps)
        else not_measurable("cents", "no pitch jump found"),
        "energy_ratio": some(-50, "dB", 1),
        "travel_affected": some(5 * events["travel_percent"].floordiv(5).nunique(), "%", 2),
        "fixed_spots": some(_spots(events, passes)["fixed"].sum(), "", 0.25)
        if count >= 3
        else not_measurable("", nowhere),
        "not_assessed": some(2, "%", 1),
    }
