"""Types of the arrays that pass between modules."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Real = NDArray[np.floating[Any]]
Complex = NDArray[np.complexfloating[Any, Any]]
Flags = NDArray[np.bool_]
