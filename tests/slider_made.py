"""Slider results made by hand from passes and events: what a measure would hand on, truth known."""

from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path

import numpy as np
import pandas as pd

from sigkit.evidence.evidence import Evidence
from sigkit.evidence.job.folder import Job, Stage, Take
from sigkit.evidence.job.names import CaptureName
from sigkit.evidence.job.settings import Settings
from sigkit.evidence.run.takes import File, Outcome
from sigkit.measures.result import Source
from sigkit.measures.slider.result import SliderResult
from sigkit.quantity import Term, combine, not_measurable
from sigkit.tracks.recorder import COLUMNS

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
class Made(SliderResult):
    """A slider's result with every field that the charts and the judging ask for."""

    def at_most(self):
        bounds = {
            "worst_level": self.floor,
            "longest_dropout": combine(0.003, "s", [Term("made", 0.0005, "B")]),
            "largest_jump": combine(10.0, "cents", [Term("made", 1.0, "B")]),
        }
        quantities = self.quantities()
        nothing = [k for k in bounds if not quantities[k].measurable and self.floor.measurable]
        return {name: bounds[name] for name in nothing}


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
        recorder_faults=pd.DataFrame(columns=COLUMNS),
        controls=controls,
        bounds={},
        movement_s=movement,
        assessed_s=movement,
        counts={
            "event_rate": (len(listed), movement),
            **({"events_per_pass": (len(listed), float(passes))} if travel else {}),
        },
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


def evidence_of(stages, *, limits=None, cleaning=None):
    """Return the evidence of a job from made results.

    ``stages`` maps the name of a stage to a mapping of sliders to their results, one or a list of
    takes; ``cleaning`` the name of a stage to what was done to the sliders before it.
    """
    own = {name: {"cleaning": done} for name, done in (cleaning or {}).items()}
    settings = Settings(limits=limits or {}, stages=own)
    takes, outcomes = [], []
    for stage, found in stages.items():
        for slider, results in found.items():
            listed = results if isinstance(results, list) else [results]
            for number, result in enumerate(listed, start=1):
                name = CaptureName("slider", slider, "", number)
                path = Path(f"/nowhere/{stage}/slider-{slider}-t{number}.wav")
                takes.append(Take(stage, name, path))
                file = File(takes[-1].key, sha256(takes[-1].key.encode()).hexdigest(), 44)
                outcomes.append(Outcome(takes[-1], result, files=(file,)))
    job = Job(Path("/nowhere"), settings, tuple(map(Stage, stages)), tuple(takes))
    return Evidence.of(job, outcomes)


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


def _energy(events):
    power = 10 ** (events["level_db"].fillna(-np.inf).to_numpy(float) / 10)
    return float((power * (events["stop_s"] - events["start_s"]).to_numpy(float)).sum())


def _spots(events, table):
    rows = []
    for part in range(20):
        low, high = 5.0 * part, 5.0 * (part + 1)
        inside = events["travel_percent"].between(low, high, inclusive="left")
        if inside.any():
            hit = events[inside]["number"].nunique()
            fixed = hit >= 3 and hit > len(table) / 2
            rows.append((low + 2.5, 1.4, hit, len(table), fixed))
    columns = ["travel_percent", "u_travel_percent", "passes_hit", "of_passes", "fixed"]
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
        "energy_ratio": some(10 * np.log10(_energy(events) / movement + 1e-9), "dB", 1),
        "travel_affected": some(5 * events["travel_percent"].floordiv(5).nunique(), "%", 2),
        "fixed_spots": some(_spots(events, passes)["fixed"].sum(), "", 0.25)
        if count >= 3
        else not_measurable("", nowhere),
        "not_assessed": some(2, "%", 1),
    }
