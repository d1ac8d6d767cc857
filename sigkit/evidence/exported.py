"""Numbers and texts as they are written into files: the same on every machine."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import Any

DIGITS = 9
"""Significant digits of exported numbers: finer than any uncertainty, coarser than round-off."""


def rounded(value: Any) -> Any:
    """Return a number at the digits that are exported, None for one without a value."""
    if isinstance(value, float):
        return float(f"{value:.{DIGITS}g}") if math.isfinite(value) else None
    return value


def json_bytes(document: Mapping[str, Any]) -> bytes:
    """Return a document as JSON, UTF-8, with a line for each item."""
    return (json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False) + "\n").encode()
