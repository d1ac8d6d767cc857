"""Reads the notes of a GF1 patch file, key by key, as recorded: no loop is unrolled."""

from __future__ import annotations

import os
import struct
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

FOLDER = "usr/share/midi/freepats/Tone_000"
FILES = ("004_Electric_Piano_1_Rhodes.pat", "080_Square_Wave.pat")
FIRST_SAMPLE = 129 + 63 + 47
"""Bytes of file, instrument and layer headers before the first sample's header."""


@dataclass(frozen=True, eq=False)
class Note:
    """One recorded note: samples from -1 to 1, their odd rate, and the root of its header."""

    samples: np.ndarray
    rate: int
    root_hz: float


def recordings() -> Path:
    """Return the folder of fetched recordings, or skip the test with the reason."""
    folder = os.environ.get("SIGKIT_RECORDINGS")
    if not folder:
        pytest.skip("SIGKIT_RECORDINGS is not set; run tests/references/fetch.py with it first")
    return Path(folder)


def read_notes(path: Path) -> list[Note]:
    """Read every note of a patch: header of 96 bytes, then its samples, one after the other."""
    data, at, notes = path.read_bytes(), FIRST_SAMPLE, []
    assert data[:12] == b"GF1PATCH110\0"
    while at + 96 <= len(data):
        (size,) = struct.unpack_from("<I", data, at + 8)
        (rate,) = struct.unpack_from("<H", data, at + 20)
        (root_mhz,) = struct.unpack_from("<I", data, at + 30)
        mode = data[at + 55]
        width, zero = (2 if mode & 1 else 1), (1 << (15 if mode & 1 else 7)) if mode & 2 else 0
        kind = f"<{'u' if mode & 2 else 'i'}{width}"
        raw = np.frombuffer(data, kind, count=size // width, offset=at + 96).astype(np.float64)
        notes.append(Note((raw - zero) / (1 << (8 * width - 1)), rate, root_mhz / 1000))
        at += 96 + size
    return notes
