"""What every measurement hands back: quantities and tables that print, draw and save themselves."""

from __future__ import annotations

import html
import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
import pandas as pd

from sigkit.quantity import Quantity, Term

if TYPE_CHECKING:
    from matplotlib.axes import Axes

SCHEMA = 1
"""Version of the dictionaries that ``to_dict`` gives."""


@dataclass(frozen=True, kw_only=True)
class Source:
    """Which sound a result was measured on.

    Parameters
    ----------
    name : str
        File name of the capture, without its folder.
    rate : int
        Sample rate in Hz.
    channel : int
        0-based channel that was measured.
    duration_s : float
        Length of the capture in seconds.
    notes : tuple of str
        Remarks of the reader, such as a repaired header.
    """

    name: str
    rate: int
    channel: int
    duration_s: float
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True, eq=False)
class Result:
    """Base of all results; a measurement adds its quantities, tables and track as fields.

    Fields that are a ``Quantity`` are its answers, fields that are a ``DataFrame`` its tables.
    """

    test: ClassVar[str]
    """Name of the bench test, as in file names."""

    source: Source
    settings: Mapping[str, Any]
    """The options the measurement ran with."""
    notes: tuple[str, ...] = ()
    """Remarks a reader of the numbers should know."""

    def quantities(self) -> dict[str, Quantity]:
        """Return the answers by name, in the order of their definition."""
        every = {f.name: getattr(self, f.name) for f in fields(self)}
        return {name: value for name, value in every.items() if isinstance(value, Quantity)}

    def tables(self) -> dict[str, pd.DataFrame]:
        """Return the tables by name, in the order of their definition."""
        every = {f.name: getattr(self, f.name) for f in fields(self)}
        return {name: value for name, value in every.items() if isinstance(value, pd.DataFrame)}

    @property
    def said(self) -> tuple[str, ...]:
        """Remarks a reader of the numbers should know; ``notes`` but where these are musical."""
        return self.notes

    def summary(self) -> pd.DataFrame:
        """Return one row per quantity: value, standard uncertainty ``u``, unit, ``dof``, reason."""
        rows = {
            name: {"value": q.value, "u": q.u, "unit": q.unit, "dof": q.dof, "reason": q.reason}
            for name, q in self.quantities().items()
        }
        return pd.DataFrame.from_dict(
            rows, orient="index", columns=["value", "u", "unit", "dof", "reason"]
        ).rename_axis("quantity")

    def to_dict(self) -> dict[str, Any]:
        """Return everything but the track, ready for JSON, with units and a schema version."""
        return {
            "schema": SCHEMA,
            "test": self.test,
            "source": {f.name: _plain(getattr(self.source, f.name)) for f in fields(self.source)},
            "settings": {key: _plain(value) for key, value in self.settings.items()},
            "quantities": {name: q.to_dict() for name, q in self.quantities().items()},
            "tables": {
                name: {str(c): [_plain(v) for v in table[c]] for c in table.columns}
                for name, table in self.tables().items()
            },
            "notes": list(self.said),
        }

    def another_capture(self) -> Mapping[str, Term]:
        """Return by how much another capture of the same state may differ, by quantity.

        Estimated from within this one, for quantities of random processes such as wander; it is
        added where a stage has a single take, so that chance is not taken for a change. Empty where
        one capture cannot tell.
        """
        return {}

    def at_most(self) -> Mapping[str, Quantity]:
        """Return upper bounds of quantities that have no value because nothing was found.

        Nothing found above a floor is not a value, but it can lie within a limit.
        """
        return {}

    def against(self, quantity: str, before: Result) -> tuple[str, ...]:
        """Return remarks on the change of a quantity since another capture."""
        del quantity, before
        return ()

    def band_of(self, quantity: str) -> float:
        """Return the upper end, in Hz, of the band that a quantity is of; inf where it has none."""
        del quantity
        return math.inf

    def particulars(self) -> tuple[str, ...]:
        """Return what a technician looks for one by one, such as keys or events, a line each."""
        return ()

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the result on ``ax``, or on the axes of a new figure, and return the axes."""
        raise NotImplementedError

    def __str__(self) -> str:
        answers = ", ".join(f"{words(name)} {q}" for name, q in self.quantities().items())
        return f"{self.test} of {self.source.name}: {answers}"

    def _repr_html_(self) -> str:
        rows = "".join(
            f"<tr><th style='text-align:left'>{html.escape(words(name))}</th>"
            f"<td style='text-align:left'>{html.escape(str(q))}</td></tr>"
            for name, q in self.quantities().items()
        )
        notes = "".join(f"<li>{html.escape(note)}</li>" for note in self.said)
        return (
            f"<table><caption>{html.escape(f'{self.test}: {self.source.name}')}</caption>{rows}"
            f"</table>{f'<ul>{notes}</ul>' if notes else ''}"
        )


def words(name: str) -> str:
    """Return a field's name as words."""
    return name.replace("_", " ")


def _plain(value: object) -> Any:
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if isinstance(value, (list, tuple)):
        return [_plain(v) for v in value]
    if isinstance(value, Mapping):
        return {str(k): _plain(v) for k, v in value.items()}
    return value
