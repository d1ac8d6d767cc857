"""A measured quantity: value, standard uncertainty, unit, budget, or the reason for no value.

Follows the vocabulary of JCGM 100:2008 (GUM): ``u`` is a standard uncertainty, a ``Term`` is one
component of it, ``dof`` are the effective degrees of freedom.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Literal

from scipy import special

COVERAGE_FACTOR = 2.0
"""k of the expanded uncertainty shown to people, about 95 % (JCGM 100:2008, 6.2)."""

NUMBER = ""
"""Unit of a number of things."""


@dataclass(frozen=True, slots=True)
class Term:
    """One component of a standard uncertainty.

    Parameters
    ----------
    source : str
        What it comes from, such as ``"noise"`` or ``"sound-card clock"``.
    u : float
        Its contribution to the result as a standard uncertainty, in the unit of the result.
    evaluation : {"A", "B"}
        By statistics of this capture (A) or from other knowledge (B), JCGM 100:2008, 4.2 and 4.3.
    dof : float, optional
        Degrees of freedom of this component.
    side : {-1, 0, 1}, optional
        Whether it can only make the value smaller or larger, as where some of the things counted
        may be none; a number of things is told so. ``u`` is then half of how far.
    """

    source: str
    u: float
    evaluation: Literal["A", "B"]
    dof: float = math.inf
    side: Literal[-1, 0, 1] = 0


@dataclass(frozen=True, slots=True)
class Quantity:
    """A measured value with its standard uncertainty, or the reason why there is none.

    Parameters
    ----------
    value : float
        The measured value; nan where the capture cannot answer.
    u : float
        Standard uncertainty in the same unit; nan where there is no value.
    unit : str
        Unit of value and ``u``.
    dof : float, optional
        Effective degrees of freedom of ``u``.
    budget : tuple of Term, optional
        The components of ``u``.
    reason : str, optional
        Why there is no value and what to do; empty where there is one.

    Examples
    --------
    >>> print(Quantity(440.01234, 0.0123, "Hz"))
    440.012 ± 0.025 Hz
    >>> print(not_measurable("s", "not settled within this recording"))
    not measurable: not settled within this recording
    >>> print(Quantity(2, 0.2, ""), "or", Quantity(2, 0.9, ""))
    2 or 2 (1 to 3)
    """

    value: float
    u: float
    unit: str
    dof: float = math.inf
    budget: tuple[Term, ...] = ()
    reason: str = ""

    def __post_init__(self) -> None:
        if math.isnan(self.value) != bool(self.reason):
            raise ValueError(
                f"a quantity has either a value or a reason; got {self.value}, {self.reason!r}"
            )
        if not self.reason and not self.u > 0:
            raise ValueError(f"a measured value needs an uncertainty above zero; got u = {self.u}")

    def __float__(self) -> float:
        return float(self.value)

    @property
    def measurable(self) -> bool:
        """Whether there is a value."""
        return not self.reason

    @property
    def expanded(self) -> float:
        """Expanded uncertainty, about 95 %; what people are shown, and what decides.

        k = 2, and Student's t where few values stand behind ``u`` and make it wider (JCGM
        100:2008, G.3).
        """
        return max(COVERAGE_FACTOR * self.u, self.half_width(0.95))

    def half_width(self, coverage: float = 0.95) -> float:
        """Half the width of the interval that covers that share, by Student's t and ``dof``."""
        return self.u * float(special.stdtrit(self.dof, 0.5 + coverage / 2))

    def expanded_towards(self, side: Literal[-1, 1]) -> float:
        """Return the expanded uncertainty below the value (-1) or above it (1)."""
        own = [t for t in self.budget if t.side in (0, side)]
        if len(own) == len(self.budget):
            return self.expanded
        return combine(self.value, self.unit, own).expanded if own else 0.0

    def numbers(self) -> tuple[str, str]:
        """Value and expanded uncertainty as text, both rounded to two digits of the uncertainty."""
        if self.reason:
            return "", ""
        places = decimal_places(self.expanded)
        return f"{_rounded(self.value, places)}", f"{_rounded(self.expanded, places)}"

    def counted(self) -> tuple[int, int, int] | None:
        """Return a number of things with the least and the most that its interval holds.

        A number of things is a whole number without a unit; half a thing says nothing, so that its
        interval is told by the whole numbers inside. None where this is no such number.
        """
        if self.reason or self.unit != NUMBER or not float(self.value).is_integer():
            return None
        # A whole number is its own interval where no other lies within.
        value = int(self.value)
        below, above = (math.floor(self.expanded_towards(side) + 1e-9) for side in (-1, 1))
        return value, value - below, value + above

    def __str__(self) -> str:
        if self.reason:
            said = self.reason.startswith("not measurable")
            return self.reason if said else f"not measurable: {self.reason}"
        if (things := self.counted()) is not None:
            number, least, most = things
            return f"{number}" if least == most else f"{number} ({max(least, 0)} to {most})"
        value, half = self.numbers()
        return f"{value} ± {half} {self.unit}".rstrip()

    def to_dict(self) -> dict[str, Any]:
        """Return the quantity with its whole budget, ready for JSON (no nan, no infinity)."""
        return {
            "value": None if self.reason else self.value,
            "u": None if self.reason else self.u,
            "unit": self.unit,
            "dof": None if math.isinf(self.dof) else self.dof,
            "budget": [
                {
                    "source": t.source,
                    "u": t.u,
                    "evaluation": t.evaluation,
                    "dof": None if math.isinf(t.dof) else t.dof,
                }
                for t in self.budget
            ],
            "reason": self.reason,
        }


def combine(value: float, unit: str, terms: Iterable[Term]) -> Quantity:
    """Combine independent components in squares, with the Welch-Satterthwaite ``dof``.

    Parameters
    ----------
    value : float
        The measured value.
    unit : str
        Its unit.
    terms : iterable of Term
        Independent components, at least one of them above zero.

    Returns
    -------
    Quantity
        With the root sum of squares as ``u`` and the terms as budget.

    References
    ----------
    .. [1] JCGM 100:2008, 5.1.2 and formula (G.2b).
    """
    budget = tuple(terms)
    u = math.sqrt(math.fsum(t.u**2 for t in budget))
    spent = math.fsum(t.u**4 / t.dof for t in budget)
    return Quantity(value, u, unit, dof=u**4 / spent if spent > 0 else math.inf, budget=budget)


def not_measurable(unit: str, reason: str) -> Quantity:
    """Return the quantity that this capture cannot answer, with the reason and what to do."""
    return Quantity(math.nan, math.nan, unit, reason=reason)


def decimal_places(uncertainty: float) -> int:
    """Decimal places that leave two significant digits of an uncertainty (JCGM 100:2008, 7.2.6)."""
    if not (math.isfinite(uncertainty) and uncertainty > 0):
        return 3
    return 1 - math.floor(math.log10(float(f"{uncertainty:.1e}")))


def _rounded(number: float, places: int) -> str:
    text = f"{round(number, places):.{max(places, 0)}f}"
    return text[1:] if float(text) == 0 and text.startswith("-") else text
