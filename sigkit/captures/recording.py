"""What became of a recording, and the recorder's own list of it beside the capture."""

from __future__ import annotations

import json
import math
import os
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Literal

from sigkit.captures.remarks import spoken_place, spoken_places

ENDING = ".recording.json"
SCHEMA = 1
PLACES = 3

Ended = Literal[
    "stopped", "length reached", "source ended", "no sound arrives", "disk", "recording"
]
"""How it ended; the last one stands in the list of a recorder that was killed."""


@dataclass(frozen=True)
class Lost:
    """Sound that is missing from a recording.

    Parameters
    ----------
    frame : int
        Frame of the file at which it is missing.
    at_s : float
        The same in seconds.
    frames : int
        Frames that are missing: exact where ``filled``, else by the sound card's clock; 0 where
        that does not tell.
    filled : bool
        Whether as many zeros stand in their place.
    cause : str
        What lost them.
    """

    frame: int
    at_s: float
    frames: int
    filled: bool
    cause: str

    def words(self, rate: int) -> str:
        """Return one line for people."""
        at = f"at {spoken_place(self.at_s, 3)}"
        if self.filled:
            return f"{at} {self.frames} frames lost, zeros in their place: {self.cause}"
        if self.frames:
            return f"{at} about {1000 * self.frames / rate:.0f} ms lost: {self.cause}"
        return f"{at} sound lost, how much is not known: {self.cause}"


@dataclass(frozen=True)
class Recording:
    """A recording that has ended, as it is on disk.

    Parameters
    ----------
    path : Path
        The file.
    started : datetime
        When its first sample was taken, with the offset from universal time.
    rate, channels, bits : int
        Sample rate in Hz, channels, bits of a sample.
    frames : int
        Whole frames on disk, zeros in place of lost ones included.
    peaks_dbfs : tuple of float
        Highest peak of each channel.
    clipped : tuple of int
        Samples of each channel at full scale.
    lost : tuple of Lost
        Every place where sound is missing.
    ended : str
        ``stopped``, ``length reached``, ``source ended``, ``no sound arrives`` or ``disk``.
    problem, remedy : str
        What cut it short, and what to do; empty where nothing did.
    notes : tuple of str
        What else is known of it.
    reference : str
        The name that no other recording has, as in its ``bext`` chunk.
    source : str
        What it was recorded from.
    """

    path: Path
    started: datetime
    rate: int
    channels: int
    bits: int
    frames: int
    peaks_dbfs: tuple[float, ...]
    clipped: tuple[int, ...]
    lost: tuple[Lost, ...]
    ended: Ended
    problem: str
    remedy: str
    notes: tuple[str, ...]
    reference: str
    source: str

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return self.frames / self.rate

    @property
    def complete(self) -> bool:
        """Whether it ended as it was meant to, with nothing lost."""
        return not self.problem and not self.lost

    def to_dict(self) -> dict[str, Any]:
        """Return it as plain data for JSON."""
        return asdict(self) | {
            "schema": SCHEMA,
            "path": self.path.name,
            "started": self.started.isoformat(timespec="milliseconds"),
            "peaks_dbfs": [p if math.isfinite(p) else None for p in self.peaks_dbfs],
        }

    def __str__(self) -> str:
        peaks = ", ".join(level_words(peak) for peak in self.peaks_dbfs)
        lost = f"{len(self.lost)} places with lost sound" if self.lost else "nothing lost"
        return (
            f"{self.path.name}: {clock(self.duration_s)}, peak {peaks} dBFS, "
            f"{sum(self.clipped)} samples at full scale, {lost}"
        )

    def lines(self) -> list[str]:
        """Return what a technician wants to know afterwards, a line each."""
        peaks = "  ".join(level_words(peak) for peak in self.peaks_dbfs)
        shape = f"{self.channels} {'channel' if self.channels == 1 else 'channels'}"
        lines = [
            f"started     {self.started.isoformat(sep=' ', timespec='milliseconds')}",
            f"length      {clock(self.duration_s)} ({self.duration_s:.3f} s, {self.frames} frames)",
            f"format      {self.rate} Hz, {self.bits} bits, {shape}",
            f"peak        {peaks} dBFS",
            f"clipped     {sum(self.clipped)} samples at full scale",
            f"lost        {lost_words(self.lost)}",
        ]
        lines += [f"            {lost.words(self.rate)}" for lost in self.lost[:PLACES]]
        if len(self.lost) > PLACES:
            lines.append(f"            and so on: see {list_path(self.path).name}")
        return lines + [f"note        {note}" for note in self.notes]


def lost_words(lost: Sequence[Lost]) -> str:
    """Say how often sound was lost, and how much."""
    if not lost:
        return "nothing"
    filled = sum(one.frames for one in lost if one.filled)
    places = f"in {len(lost)} {'place' if len(lost) == 1 else 'places'}"
    return f"{places}, {filled} frames of it replaced by zeros" if filled else places


def clock(seconds: float) -> str:
    """Return a length of time as a clock shows it.

    Examples
    --------
    >>> clock(3754.2)
    '1:02:34'
    """
    whole = int(seconds)
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def level_words(level_dbfs: float) -> str:
    """Return a level with one decimal, or a dash for silence."""
    return f"{level_dbfs:.1f}" if math.isfinite(level_dbfs) else "silent"


def list_path(path: Path) -> Path:
    """Return where the recorder's own list of a capture lies."""
    return path.with_name(path.stem + ENDING)


def list_notes(path: Path, frames: int) -> list[str]:
    """Return what the recorder's own list beside a capture says is wrong with it.

    Parameters
    ----------
    path : Path
        The capture.
    frames : int
        Frames in it; a list of another length belongs to another recording.
    """
    try:
        data = json.loads(list_path(path).read_text(encoding="utf-8"))
        killed = data["ended"] == "recording"
        if data["schema"] != SCHEMA or not (killed or data["frames"] == frames):
            return []
        lost = [Lost(**one) for one in data["lost"]]
        notes = [f"the recorder ended early: {data['problem']}"] if data["problem"] else []
        if lost:
            at = spoken_places((one.at_s for one in lost[:PLACES]), 3)
            more = " and later" if len(lost) > PLACES else ""
            notes.append(f"sound lost while recording {lost_words(lost)}, at {at}{more}")
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return []
    return notes


def write_list(recording: Recording, *, new: bool = False) -> None:
    """Write the list beside its capture, whole or not at all.

    Parameters
    ----------
    recording : Recording
        As it stands.
    new : bool, optional
        Refuse if there is one already.

    Raises
    ------
    OSError
        There is one already, or the disk refuses.
    """
    path = list_path(recording.path)
    text = json.dumps(recording.to_dict(), indent=1) + "\n"
    if new:
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
        return
    half = path.with_name(f".{path.name}.half")
    try:
        with half.open("w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        half.replace(path)
    except OSError:
        half.unlink(missing_ok=True)
        raise
