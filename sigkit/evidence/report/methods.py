"""What the report says of each bench test: method, reference, what it cannot show, its charts."""

from __future__ import annotations

import functools
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources


@dataclass(frozen=True, slots=True)
class Method:
    """How a bench test is told to a reader.

    Parameters
    ----------
    method, reference, not_shown : str
        How it was measured, after which work, and what its figures cannot show.
    chart : str
        What the main chart holds.
    beside : str
        What the chart beside it holds; empty where there is none.
    beside_quantities : tuple of str
        The quantities that say in numbers what is seen there.
    """

    method: str
    reference: str
    not_shown: str
    chart: str
    beside: str = ""
    beside_quantities: tuple[str, ...] = ()


@functools.cache
def methods() -> Mapping[str, Method]:
    """Return what is said of each bench test, by its name."""
    text = resources.files("sigkit.evidence.report").joinpath("methods.toml").read_text("utf-8")
    told = tomllib.loads(text)
    return {
        name: Method(**{**entry, "beside_quantities": tuple(entry.get("beside_quantities", ()))})
        for name, entry in told.items()
    }
