"""Types of the arrays that pass between modules, and the runs of True in one."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Real = NDArray[np.floating[Any]]
Complex = NDArray[np.complexfloating[Any, Any]]
Flags = NDArray[np.bool_]


def runs(mask: Flags, gap: int = 0) -> list[tuple[int, int]]:
    """Return first and one-past-last index of each run of True, runs nearer than ``gap`` joined.

    Examples
    --------
    >>> runs(np.array([False, True, True, False, True]))
    [(1, 3), (4, 5)]
    >>> runs(np.array([False, True, True, False, True]), gap=2)
    [(1, 5)]
    """
    edge = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    out: list[tuple[int, int]] = []
    for a, b in edge.reshape(-1, 2).tolist():
        if out and a - out[-1][1] < gap:
            out[-1] = (out[-1][0], b)
        else:
            out.append((a, b))
    return out
