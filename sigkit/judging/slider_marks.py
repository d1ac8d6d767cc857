"""Marks on the travel of a slider: where a setting is, what was measured there, in words."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass

from sigkit.quantity import Quantity, decimal_places

MINUS = "\N{MINUS SIGN}"

TRAVEL_PERCENT: Mapping[str, float] = {
    "off": 0.0,
    "zero": 0.0,
    "min": 0.0,
    "minimum": 0.0,
    "quarter": 25.0,
    "one_quarter": 25.0,
    "third": 100 / 3,
    "one_third": 100 / 3,
    "half": 50.0,
    "mid": 50.0,
    "middle": 50.0,
    "centre": 50.0,
    "center": 50.0,
    "two_thirds": 200 / 3,
    "three_quarters": 75.0,
    "full": 100.0,
    "max": 100.0,
    "maximum": 100.0,
}
"""Where on the travel of a slider a setting is that is named in words, in percent."""

_NUMBER = re.compile(r"([0-9]{1,3}(?:\.[0-9]+)?)(?:_?(?:percent|pct|%))?")
_DECIMAL = re.compile(r"([0-9]{1,3})_([0-9]+)_?(?:percent|pct|%)")


def percent_of(setting: str) -> float | None:
    """Return where on the travel a setting is, in percent; None where its name does not say.

    Examples
    --------
    >>> [percent_of(name) for name in ("0", "25", "25_percent", "12_5_percent", "half", "max")]
    [0.0, 25.0, 25.0, 12.5, 50.0, 100.0]
    >>> percent_of("fast") is None and percent_of("440") is None
    True
    """
    name = re.sub(r"\s+", "_", setting.strip().casefold())
    if name in TRAVEL_PERCENT:
        return TRAVEL_PERCENT[name]
    if match := _DECIMAL.fullmatch(name):
        percent = float(f"{match[1]}.{match[2]}")
    elif match := _NUMBER.fullmatch(name):
        percent = float(match[1])
    else:
        return None
    return percent if percent <= 100 else None


@dataclass(frozen=True, slots=True)
class Mark:
    """A quantity at one setting of a slider.

    Parameters
    ----------
    setting : str
        Name of the setting.
    percent : float or None
        Where on the travel it is; None unknown.
    quantity : Quantity
        The value, or the reason why there is none.
    at_most : Quantity or None
        Upper bound, where there is no value.
    """

    setting: str
    percent: float | None
    quantity: Quantity
    at_most: Quantity | None = None

    @property
    def known(self) -> bool:
        """Whether there is a value or a bound."""
        return self.quantity.measurable or self.at_most is not None

    @property
    def level(self) -> Quantity:
        """The value, or the bound where there is none."""
        if self.at_most is None or self.quantity.measurable:
            return self.quantity
        return self.at_most


def between_text(first: Mark, last: Mark) -> str:
    """Return between which marks."""
    return f"between {percent_text(first)} and {percent_text(last)} %"


def percent_text(mark: Mark) -> str:
    """Return where a mark is, without the sign for percent."""
    return f"{mark.percent:.3g}"


def from_to_text(first: Mark, last: Mark) -> str:
    """Return both levels, the unit once where it is the same."""
    one, two = told_text(first), told_text(last)
    unit = two.rpartition(" ")[2]
    if one.endswith(f" {unit}") and last.quantity.measurable:
        one = one.removesuffix(f" {unit}")
    return f"{one} to {two}"


def told_text(mark: Mark) -> str:
    """Return the value at a mark, or its bound, short."""
    text = level_text(mark.level.value, mark.level.expanded, mark.level.unit)
    return text if mark.quantity.measurable else f"at most {text}"


def level_text(value: float, half: float, unit: str) -> str:
    """Return a level with three digits at most, and no more than its uncertainty leaves."""
    if unit == "s" and abs(value) < 0.1:
        value, half, unit = 1000 * value, 1000 * half, "ms"
    if not half:
        return f"{value:g} {unit}"
    digits = 2 - math.floor(math.log10(abs(value))) if value else 3
    places = min(digits, decimal_places(half))
    return f"{round(value, places):.{max(places, 0)}f} {unit}"


def size_text(size: Quantity) -> str:
    """Return a share in percent with its expanded uncertainty, to a tenth at the finest."""
    value, half = size.numbers()
    if size.expanded < 1:
        value, half = f"{size.value:.1f}", f"{math.ceil(10 * size.expanded) / 10:.1f}"
    return f"{value} ± {half} %"


def signed_text(change: Quantity) -> str:
    """Return a change in percent with its sign and expanded uncertainty."""
    text = size_text(change)
    value = float(text.partition(" ")[0])
    return text.replace("-", MINUS) if value < 0 else ("+" if value > 0 else "") + text.lstrip("-")
