"""What can be recorded."""

from __future__ import annotations

from typing import Protocol

from sigkit.captures.intake import Intake

END = "end"


class Source(Protocol):
    """A sound card, or blocks made by a program.

    Attributes
    ----------
    rate, channels, bits : int
        Sample rate in Hz, channels, bits of a sample (16, 24 or 32).
    name : str
        What it is.
    notes : tuple of str
        What a reader of the capture should know of it.
    ended : str
        Empty while it delivers; ``"end"`` where it has no more; else what is wrong with it.
    delay_s : float
        How old the last frame of the first block was when it was delivered.
    live : bool
        Whether it delivers a second of sound in a second of time.
    """

    rate: int
    channels: int
    bits: int
    name: str
    notes: tuple[str, ...]
    ended: str
    delay_s: float
    live: bool

    def start(self, intake: Intake) -> None:
        """Begin to call ``intake.deliver`` with blocks, from a thread of its own."""

    def stop(self) -> None:
        """Stop calling it."""
