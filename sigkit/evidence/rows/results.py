"""results.csv: every number that the report shows, one line for each of its rows.

Behind the quantities stand the lines of `sigkit.evidence.rows.shown_rows`.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import pandas as pd

from sigkit.evidence.rows.shown_rows import QUANTITY, shown_lines
from sigkit.evidence.rows.table import Row
from sigkit.judging.slider_marks import percent_of
from sigkit.quantity import Quantity

if TYPE_CHECKING:
    from sigkit.evidence.evidence import Evidence


def results_frame(evidence: Evidence) -> pd.DataFrame:
    """Return the table of the evidence with the intervals that the report shows beside each value.

    For each stage ``low_STAGE`` and ``high_STAGE`` (ends of the 95 % interval: value less and plus
    its expanded uncertainty, or the limits of a rate of events), ``count_STAGE`` and
    ``exposure_STAGE`` (events, and the seconds or passes in which they were counted),
    ``takes_STAGE``, ``captures_STAGE`` (the files behind the value) and, where captures were cut to
    the shorter one for a comparison, ``whole_STAGE``, ``whole_low_STAGE`` and ``whole_high_STAGE``
    over their whole length. Then ``low_change`` and ``high_change``; ``last_tested`` and
    ``last_tested_verdict``, the stage and how it stands to the limit where the last stage has no
    capture and an earlier one has; ``kind``, which tells quantities from sliders over the stages
    and from findings over the marks of a slider, that stand behind them; ``mark_percent``, where on
    the travel of its slider a setting is that is shown over its marks; and ``finding_STAGE``, what
    these lines say in words.

    Parameters
    ----------
    evidence : Evidence
        A job's evidence.
    """
    found = [_more(evidence, row) for row in evidence.rows]
    more = pd.DataFrame(found, columns=list(_columns(evidence)))
    frame = pd.concat([evidence.table, more], axis=1).astype(object)
    shown = pd.DataFrame(shown_lines(evidence), columns=frame.columns, dtype=object)
    return pd.concat([frame, shown], ignore_index=True)


def _columns(evidence: Evidence) -> list[str]:
    per_stage = ("low", "high", "count", "exposure", "takes", "captures")
    whole = ("whole", "whole_low", "whole_high")
    names = [stage.name for stage in evidence.job.stages]
    cut = any(cell.whole is not None for row in evidence.rows for cell in row.cells.values())
    columns = [f"{word}_{name}" for name in names for word in (*per_stage, *(whole if cut else ()))]
    told = [f"finding_{name}" for name in names]
    last = ["last_tested", "last_tested_verdict"]
    return [*columns, "low_change", "high_change", *last, "kind", "mark_percent", *told]


def _more(evidence: Evidence, row: Row) -> dict[str, Any]:
    more: dict[str, Any] = {}
    for stage, cell in row.cells.items():
        low, high = cell.interval
        count, exposure = cell.counts or (math.nan, math.nan)
        more |= {
            f"low_{stage}": low,
            f"high_{stage}": high,
            f"count_{stage}": count,
            f"exposure_{stage}": exposure,
            f"takes_{stage}": cell.takes,
            f"captures_{stage}": "; ".join(_files(evidence, row, stage)),
        }
        if cell.whole is not None:
            whole_low, whole_high = _interval(cell.whole)
            more |= {
                f"whole_{stage}": cell.whole.value,
                f"whole_low_{stage}": whole_low,
                f"whole_high_{stage}": whole_high,
            }
    low, high = _interval(row.change)
    ordered = {(o.test, o.subject, o.judged.quantity) for o in evidence.setting_orders}
    shown = (row.test, row.subject, row.judged.quantity) in ordered
    percent = percent_of(row.setting) if shown else None
    return more | {
        **{"low_change": low, "high_change": high, "kind": QUANTITY},
        **{"last_tested": row.since, "last_tested_verdict": row.stood.word},
        "mark_percent": math.nan if percent is None else percent,
    }


def _interval(quantity: Quantity) -> tuple[float, float]:
    if not quantity.measurable:
        return math.nan, math.nan
    return quantity.value - quantity.expanded, quantity.value + quantity.expanded


def _files(evidence: Evidence, row: Row, stage: str) -> list[str]:
    return [
        file.key
        for outcome in evidence.outcomes
        if outcome.used
        and outcome.take.stage == stage
        and (outcome.take.name.test, outcome.take.name.subject, outcome.take.name.setting)
        == row.group
        for file in outcome.files
    ]
