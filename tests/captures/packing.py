"""WAV files packed by hand, with any lies in their headers."""

from __future__ import annotations

import struct

import numpy as np
import pytest

from sigkit.errors import SigkitError

RATE = 48000


def tone(seconds: float = 2.0, rate: int = RATE, level: float = 0.5) -> np.ndarray:
    return level * np.sin(2 * np.pi * 220 * np.arange(round(seconds * rate)) / rate)


def packed(
    data: bytes,
    *,
    fmt: bytes | None = None,
    channels: int = 1,
    bits: int = 16,
    tag: int = 1,
    name: bytes = b"RIFF",
    riff_size: int | None = None,
    data_size: int | None = None,
    tail: bytes = b"",
    extra: bytes = b"",
) -> bytes:
    """Return a WAV file packed by hand, with any lies in its header."""
    end = ">" if name == b"RIFX" else "<"
    width = channels * bits // 8
    if fmt is None:
        fmt = struct.pack(end + "HHIIHH", tag, channels, RATE, RATE * width, width, bits)
    size = len(data) if data_size is None else data_size
    body = b"WAVE" + b"fmt " + struct.pack(end + "I", len(fmt)) + fmt + extra
    body += b"data" + struct.pack(end + "I", size) + data + tail
    return name + struct.pack(end + "I", len(body) if riff_size is None else riff_size) + body


def ints(x: np.ndarray) -> np.ndarray:
    return np.round(x * 32767).astype("<i2")


def three_lines(error: pytest.ExceptionInfo[SigkitError]) -> bool:
    return len(str(error.value).splitlines()) == 3 and error.value.problem.endswith(".")
