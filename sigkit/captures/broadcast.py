"""The ``bext`` chunk of a Broadcast WAV file: what was recorded, by what, and when."""

from __future__ import annotations

import struct
from datetime import datetime

VERSION = 1
FIXED_BYTES = 602
MODES = {1: "mono", 2: "stereo"}


def extension(
    *, description: str, reference: str, started: datetime, rate: int, channels: int, bits: int
) -> bytes:
    """Return the body of a ``bext`` chunk.

    Parameters
    ----------
    description : str
        What was recorded; cut after 256 characters.
    reference : str
        A name that no other recording has; cut after 32 characters.
    started : datetime
        When its first sample was taken, in the time of the place.
    rate, channels, bits : int
        Sample rate in Hz, channels, bits of a sample.

    Notes
    -----
    Date, time and TimeReference (samples since midnight) are those of ``started`` as it stands: the
    bench's own clock, which is what recorders write. The offset from universal time is not in the
    chunk; the recorder's own list beside the capture has it. Characters outside ASCII become ``?``.

    References
    ----------
    .. [1] EBU Tech 3285 version 2 (2011), Specification of the Broadcast Wave Format: the
       Broadcast Audio Extension chunk; its version 1 is written here, without loudness.
    .. [2] EBU Recommendation R 98, CodingHistory field in Broadcast Wave Format files.
    """
    reference_samples = samples_since_midnight(started, rate)
    history = f"A=PCM,F={rate},W={bits},M={MODES.get(channels, 'multitrack')},T=sigkit\r\n"
    body = b"".join(
        (
            _text(description, 256),
            _text("sigkit", 32),
            _text(reference, 32),
            _text(started.strftime("%Y-%m-%d"), 10),
            _text(started.strftime("%H-%M-%S"), 8),
            struct.pack("<QH", reference_samples, VERSION),
        )
    )
    return body.ljust(FIXED_BYTES, b"\0") + history.encode("ascii")


def samples_since_midnight(moment: datetime, rate: int) -> int:
    """Return the time of day in samples.

    Examples
    --------
    >>> samples_since_midnight(datetime(2026, 3, 2, 1, 0, 0, 500_000), 48000)
    172824000
    """
    seconds = (moment.hour * 60 + moment.minute) * 60 + moment.second
    return seconds * rate + (moment.microsecond * rate + 500_000) // 1_000_000


def _text(text: str, size: int) -> bytes:
    return text.encode("ascii", "replace")[:size].ljust(size, b"\0")
