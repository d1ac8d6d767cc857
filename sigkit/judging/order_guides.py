"""How quantities should follow a slider from mark to mark, as data."""

from __future__ import annotations

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources

from sigkit.judging.limits import Limit


@dataclass(frozen=True, slots=True)
class OrderGuide:
    """How a quantity should follow a slider, as data.

    Parameters
    ----------
    test, quantity : str
        Of which bench test, and which of its quantities; an empty quantity stands for a control
        that sets none of them.
    control : str
        Word in the subject's name that names the slider of this quantity alone; may be empty.
    minimum : Limit or None
        The largest value at 0 % that is within limits, and up to where it is called worn.
    reversal_worn_to_percent : float
        Size up to which a single reversal is worn, beyond it faulty.
    dead_zone_percent : float
        Change over a quarter of the travel below which the slider does nothing there; over other
        distances in proportion.
    source : str
        Where these values come from.
    """

    test: str
    quantity: str
    control: str
    minimum: Limit | None
    reversal_worn_to_percent: float
    dead_zone_percent: float
    source: str


@cache
def order_guides() -> tuple[OrderGuide, ...]:
    """Return what is judged over the marks of a slider, from ``setting_order.csv``."""
    folder = resources.files("sigkit.judging")
    text = folder.joinpath("setting_order.csv").read_text(encoding="utf-8")
    return tuple(
        OrderGuide(
            row["test"],
            row["quantity"],
            row["control"],
            _minimum(row),
            float(row["reversal_worn_to_percent"] or "nan"),
            float(row["dead_zone_percent"] or "nan"),
            row["source"],
        )
        for row in csv.DictReader(text.splitlines())
    )


def guides_for(test: str, subject: str) -> tuple[OrderGuide, ...]:
    """Return the guides for a bench test and subject.

    Where the subject names the control of one quantity (``attack``), the others of the test stay
    put while it moves, and are not judged.

    Examples
    --------
    >>> [guide.quantity for guide in guides_for("glide", "portamento")]
    ['glide_time']
    >>> [guide.quantity for guide in guides_for("envelope", "release_2")]
    ['release']
    """
    own = [guide for guide in order_guides() if guide.test == test]
    named = [guide for guide in own if guide.control and guide.control in subject.split("_")]
    return tuple(guide for guide in named or own if guide.quantity)


def _minimum(row: Mapping[str, str]) -> Limit | None:
    if not row["minimum"]:
        return None
    worn_to = float(row["minimum_worn_to"])
    return Limit(float(row["minimum"]), row["unit"], row["source"], worn_to)
