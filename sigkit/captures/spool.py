"""A WAV file that grows while it is recorded, and is whole at every moment.

Its header is written anew about twice a second, in one go, so that whatever ends the recorder
leaves a file that can be read. While it is open, the length of the whole (not that of the samples)
says "unknown": a reader then takes every frame on disk. Room for 64-bit lengths is kept from the
start; a file that outgrows 32 bits becomes RF64 where it lies.
"""

from __future__ import annotations

import os
import struct
from pathlib import Path

TOP = 2**32 - 1
"""What stands for an unknown length, and for "see ds64", in a field of 32 bits."""
LONG_BYTES = 28
"""Body of a ``ds64`` chunk without a table, and of the ``JUNK`` chunk that keeps its place."""
PCM_SUBFORMAT = b"\x01\0\0\0\0\0\x10\0\x80\0\0\xaa\0\x38\x9b\x71"


class GrowingWav:
    """A new WAV file, open for appending frames; never one that is there already.

    Parameters
    ----------
    path : Path
        Where to make it.
    rate, channels, bits : int
        Sample rate in Hz, channels, bits of a sample (16, 24 or 32).
    extension : bytes, optional
        Body of its ``bext`` chunk; the same length each time it is set.
    riff_limit : int, optional
        Length from which it is RF64.

    Raises
    ------
    OSError
        The file exists, or the disk refuses.

    Notes
    -----
    A plain ``RIFF`` file begins with a ``JUNK`` chunk as long as ``ds64`` would be; past 4 GiB the
    names are exchanged and the lengths move there, as [1]_ proposes for recorders that do not know
    how long they will run. [2]_ has the same chunk.

    References
    ----------
    .. [1] EBU Tech 3306 version 1.1 (2009), MBWF / RF64: an extended file format for audio.
    .. [2] Recommendation ITU-R BS.2088, long-form file format for audio (BW64).
    """

    def __init__(
        self,
        path: Path,
        rate: int,
        channels: int,
        bits: int,
        extension: bytes = b"",
        riff_limit: int = TOP - 1,
    ) -> None:
        self.path, self.rate, self.channels, self.bits = path, rate, channels, bits
        self.frame_bytes = channels * bits // 8
        self.extension = extension
        self.riff_limit = riff_limit
        self.length = 0
        self._file = path.open("xb", buffering=0)
        try:
            self._append(self.header())
        except OSError:
            self._file.close()
            path.unlink()
            raise

    @property
    def frames(self) -> int:
        """Whole frames on disk."""
        return self.length // self.frame_bytes

    def header(self, *, closed: bool = False) -> bytes:
        """Return the header for what is on disk now."""
        long_sizes = bytes(LONG_BYTES)
        length = self.frames * self.frame_bytes
        behind = self._chunk(b"bext", self.extension) if self.extension else b""
        behind += self._chunk(b"fmt ", self._format())
        total = 4 + 8 + LONG_BYTES + len(behind) + 8 + length + length % 2
        if total > self.riff_limit:
            name, room, outer, inner = b"RF64", b"ds64", TOP, TOP
            whole = total if closed else 2**64 - 1
            long_sizes = struct.pack("<QQQI", whole, length, self.frames, 0)
        else:
            name, room, outer, inner = b"RIFF", b"JUNK", total if closed else TOP, length
        start = name + struct.pack("<I", outer) + b"WAVE" + self._chunk(room, long_sizes)
        return start + behind + b"data" + struct.pack("<I", inner)

    def write(self, frames: memoryview | bytes) -> None:
        """Append frames; where the disk refuses, what fitted is kept and counted."""
        self._append(frames, sound=True)

    def refresh(self, *, closed: bool = False) -> None:
        """Write the header anew, in one go."""
        end = self._file.seek(0, os.SEEK_END)
        self._file.seek(0)
        self._append(self.header(closed=closed))
        self._file.seek(end)

    def sync(self) -> None:
        """Have the disk itself take what is written; may be called from another thread."""
        os.fsync(self._file.fileno())

    def close(self) -> None:
        """Cut a broken frame off the end, write the true header, and close.

        Raises
        ------
        OSError
            The disk refuses the header; the file is closed all the same, and can be read.
        """
        try:
            length = self.frames * self.frame_bytes
            start = len(self.header())
            self._file.truncate(start + length)
            self._file.seek(start + length)
            if length % 2:
                self._append(b"\0")
            self.refresh(closed=True)
            self.sync()
        finally:
            self._file.close()

    def discard(self) -> None:
        """Remove the file again; only ever one without a frame."""
        self._file.close()
        if not self.length:
            self.path.unlink()

    def _append(self, data: memoryview | bytes, *, sound: bool = False) -> None:
        left = memoryview(data)
        while left:
            written = self._file.write(left) or 0
            self.length += written if sound else 0
            left = left[written:]

    def _format(self) -> bytes:
        """Return the body of ``fmt``: plain PCM for one or two channels, else extensible."""
        extensible = self.channels > 2
        body = struct.pack(
            "<HHIIHH",
            0xFFFE if extensible else 1,
            self.channels,
            self.rate,
            self.rate * self.frame_bytes,
            self.frame_bytes,
            self.bits,
        )
        return body + struct.pack("<HHI", 22, self.bits, 0) + PCM_SUBFORMAT if extensible else body

    @staticmethod
    def _chunk(name: bytes, body: bytes) -> bytes:
        return name + struct.pack("<I", len(body)) + body + b"\0" * (len(body) % 2)
