"""A WAV capture: header first, sound in blocks, never written to."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import soundfile as sf
from numpy.typing import NDArray

if TYPE_CHECKING:
    from sigkit.captures.fitness import Fitness


@dataclass(frozen=True, eq=False)
class Capture:
    """One recording on disk, opened for reading only."""

    path: Path
    rate: int
    channels: int
    frames: int
    channel: int
    notes: tuple[str, ...] = ()

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return self.frames / self.rate

    @cached_property
    def sha256(self) -> str:
        """SHA-256 of the whole file, in hexadecimal."""
        with self.path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()

    def blocks(self, seconds: float = 10.0) -> Iterator[NDArray[np.float64]]:
        """Yield the channel's samples in consecutive blocks, full scale = 1."""
        with sf.SoundFile(self.path) as file:
            for block in file.blocks(round(seconds * self.rate), dtype="float64", always_2d=True):
                yield block[:, self.channel].copy()

    def read(self, start_s: float = 0.0, stop_s: float | None = None) -> NDArray[np.float64]:
        """Return the channel's samples from ``start_s`` to ``stop_s``, full scale = 1."""
        start = round(start_s * self.rate)
        stop = self.frames if stop_s is None else round(stop_s * self.rate)
        with sf.SoundFile(self.path) as file:
            file.seek(start)
            return np.ascontiguousarray(
                file.read(stop - start, dtype="float64", always_2d=True)[:, self.channel]
            )

    def fitness(self) -> Fitness:
        """Say whether the capture is fit to measure."""
        raise NotImplementedError


def open_capture(path: str | Path, channel: int | None = None) -> Capture:
    """Open a capture: reads the header only."""
    path = Path(path)
    info = sf.info(str(path))
    return Capture(path, info.samplerate, info.channels, info.frames, channel or 0)
