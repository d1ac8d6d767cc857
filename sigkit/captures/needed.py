"""What a function of a capture says to somebody who hands it the name of a file."""

from __future__ import annotations

import functools
import os
from collections.abc import Callable
from typing import Any, TypeVar, cast

from sigkit.captures.wav import Capture
from sigkit.errors import InputError

Measure = TypeVar("Measure", bound=Callable[..., Any])


def takes_capture(measure: Measure) -> Measure:
    """Let a function refuse a first argument that is no open capture, and say how to open one.

    Parameters
    ----------
    measure : callable
        Its first argument is a `Capture`.
    """

    @functools.wraps(measure)
    def checked(capture: Any, *args: Any, **options: Any) -> Any:
        if isinstance(capture, Capture):
            return measure(capture, *args, **options)
        name = measure.__name__
        if isinstance(capture, (str, os.PathLike)):
            got, inner = f"the name of a file, {os.fspath(capture)!r}", repr(os.fspath(capture))
        else:
            got, inner = f"{type(capture).__name__}", "'FILE.wav'"
        raise InputError(
            f"{name} needs an open capture; got {got}.",
            where=name,
            remedy=f"Open the file first: {name}(open_capture({inner})).",
        )

    return cast("Measure", checked)
