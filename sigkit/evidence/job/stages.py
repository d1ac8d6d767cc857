"""What a job is made of: its stages and their captures, by name and setting."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sigkit.evidence.job.names import CaptureName
from sigkit.evidence.logs.readings import Rail, Reading, rails_of, room_of

if TYPE_CHECKING:
    import pandas as pd

RAIL_STEP_V = 0.05
"""How finely rails are known that job.toml gives; common practice, no source."""


@dataclass(frozen=True)
class Stage:
    """One stage of a job.

    Parameters
    ----------
    name : str
        Name of its folder.
    date : str
        Date as the job gives it, empty where it gives none.
    room_c : float or None
        Room temperature in degrees Celsius, as job.toml gives it, else the mean of the readings.
    rails_v : mapping of str to float
        Supply rails in volts by name, as job.toml gives them, else the medians of the readings.
    reason : str
        Why the stage has no captures; empty where it has some.
    readings : tuple of Reading
        The stage's lines of readings.csv.
    gain_db : float or None
        Input gain of the recorder as it was written down; None where the job does not say.
    """

    name: str
    date: str = ""
    room_c: float | None = None
    rails_v: Mapping[str, float] = field(default_factory=dict)
    reason: str = ""
    readings: tuple[Reading, ...] = ()
    gain_db: float | None = None

    def readings_of(self, test: str, subject: str) -> list[Reading]:
        """Return the readings that belong to a test and subject."""
        return [reading for reading in self.readings if reading.is_of(test, subject)]

    def room_of(self, test: str, subject: str) -> float | None:
        """Return the room temperature at a test: that of its own readings, else the stage's."""
        read = room_of(self.readings_of(test, subject))
        return self.room_c if read is None else read

    def rails_of(self, test: str, subject: str) -> dict[str, Rail]:
        """Return the supply rails at a test: those of its own readings, else the stage's."""
        own = {name: Rail(volts, RAIL_STEP_V) for name, volts in self.rails_v.items()}
        return own | rails_of(self.readings_of(test, subject))


@dataclass(frozen=True)
class Take:
    """One capture of a job, by its name.

    Parameters
    ----------
    stage : str
        Name of the stage.
    name : CaptureName
        Test, subject, setting and number of the take.
    path : Path
        The file; of a take in parts the first.
    channel : int or None
        0-based channel; None leaves the choice to the reader.
    options : mapping
        Keyword options for the measure, but for the power-on time.
    power_on_s : tuple of float, or None
        Earliest and latest power-on time in seconds from the start of the capture, equal where it
        is known; None where the job does not say.
    more : tuple of Path
        The other files of a take in parts, in order.
    gap_s : float, list of float, or None
        Seconds missing between the parts, where the job says so.
    room : DataFrame or None
        Room temperature over time since switch-on: columns time_s and room_c.
    remarks : tuple of str
        What a reader of its numbers should know from names and readings.
    """

    stage: str
    name: CaptureName
    path: Path
    channel: int | None = None
    options: Mapping[str, Any] = field(default_factory=dict)
    power_on_s: tuple[float, float] | None = None
    more: tuple[Path, ...] = ()
    gap_s: float | Sequence[float] | None = None
    room: pd.DataFrame | None = field(default=None, compare=False)
    remarks: tuple[str, ...] = ()

    @property
    def paths(self) -> tuple[Path, ...]:
        """Every file of the take, in order."""
        return (self.path, *self.more)

    @property
    def key(self) -> str:
        """``STAGE/NAME`` with forward slashes, the same on every machine; of parts the first."""
        return f"{self.stage}/{self.path.name}"

    @property
    def keys(self) -> tuple[str, ...]:
        """``STAGE/NAME`` of every file."""
        return tuple(f"{self.stage}/{path.name}" for path in self.paths)
