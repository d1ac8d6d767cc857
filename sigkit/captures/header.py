"""Where the samples of a WAV file lie, by its own chunks, and a true header where its own is not.

A recorder that is switched off or runs out of battery leaves a file whose lengths are zero, all
ones or too large. The samples are still there: they begin behind the ``data`` chunk's name and run
to the end of the file. The file is never changed; a corrected header is put before its samples
while it is read.
"""

from __future__ import annotations

import io
import struct
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, BinaryIO, Literal

if TYPE_CHECKING:
    from _typeshed import WriteableBuffer

RIFF_KINDS = (b"RIFF", b"RIFX", b"RF64", b"BW64")
UNKNOWN_LENGTH = 0xFFFFFFFF
UNKNOWN_LONG = (bytes(8), b"\xff" * 8)
MAX_CHUNKS = 4096
MAX_FORMAT_BYTES = 4096
TIME_REFERENCE = slice(338, 346)
"""Its bytes in the body of a ``bext`` chunk."""

State = Literal["sound", "not closed", "cut off", "wrapped"]


@dataclass(frozen=True)
class Layout:
    """Where the samples of a RIFF, RIFX, RF64, BW64 or W64 file lie.

    Parameters
    ----------
    state : {"sound", "not closed", "cut off", "wrapped"}
        Whether the header tells the truth; if not: the recorder never wrote the length, the file
        ends before its header says, or the length is counted modulo 4 GiB.
    offset, length : int
        First byte of the samples and how many bytes of them are on disk.
    declared : int
        How many bytes the header promises; 0 where it does not say.
    format_chunk : bytes
        Body of the ``fmt`` chunk; empty where the file ends before it.
    big_endian : bool
        Whether it is a RIFX file.
    stray : int
        Bytes behind the samples that are not chunks.
    more_data : int
        Bytes of further ``data`` chunks, which are not read.
    plain : bool
        Whether libsndfile understands the header as it is; it knows no BW64, and no second
        ``data`` chunk.
    """

    state: State
    offset: int
    length: int
    declared: int = 0
    format_chunk: bytes = b""
    big_endian: bool = False
    stray: int = 0
    more_data: int = 0
    plain: bool = True

    @property
    def trusted(self) -> bool:
        """Whether the file can be decoded by its own header."""
        return self.state == "sound" and self.plain

    @property
    def order(self) -> Literal["big", "little"]:
        """Byte order of the file."""
        return "big" if self.big_endian else "little"

    @property
    def bits(self) -> int:
        """Bits of a sample by the ``fmt`` chunk; 0 where unknown."""
        return int.from_bytes(self.format_chunk[14:16], self.order)

    @property
    def codec(self) -> int:
        """Format tag of the samples, the extensible one resolved; 0 where unknown."""
        tag = int.from_bytes(self.format_chunk[:2], self.order)
        if tag == 0xFFFE:
            tag = int.from_bytes(self.format_chunk[24:26], self.order)
        return tag

    def header(self) -> bytes:
        """Return a header that states the true length, RF64 where 32 bits do not hold it."""
        order = ">" if self.big_endian else "<"
        fmt = self.format_chunk + b"\0" * (len(self.format_chunk) % 2)
        chunk = b"fmt " + struct.pack(order + "I", len(self.format_chunk)) + fmt
        total = 4 + len(chunk) + 8 + self.length
        if total < UNKNOWN_LENGTH or self.big_endian:
            name = b"RIFX" if self.big_endian else b"RIFF"
            long_lengths, outer, inner = b"", total, self.length
        else:
            sizes = struct.pack("<QQQI", total + 36, self.length, 0, 0)
            name, long_lengths = b"RF64", b"ds64" + struct.pack("<I", len(sizes)) + sizes
            outer = inner = UNKNOWN_LENGTH
        top = 2**32 - 1
        start = name + struct.pack(order + "I", min(outer, top)) + b"WAVE" + long_lengths + chunk
        return start + b"data" + struct.pack(order + "I", min(inner, top))

    def spliced(self, file: BinaryIO) -> SplicedFile:
        """Return a read-only file: the true header, then the samples as they are on disk."""
        return SplicedFile(file, self.header(), self.offset, self.length)


class SplicedFile(io.RawIOBase):
    """Read-only file made of a header in memory and a stretch of a file on disk."""

    def __init__(self, file: BinaryIO, header: bytes, offset: int, length: int) -> None:
        super().__init__()
        self._file, self._header, self._offset = file, header, offset
        self._size = len(header) + length
        self._position = 0

    def readable(self) -> bool:
        """Return True."""
        return True

    def seekable(self) -> bool:
        """Return True."""
        return True

    def tell(self) -> int:
        """Return the position in bytes from the start of the header."""
        return self._position

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        """Move to a position in bytes."""
        base = {io.SEEK_SET: 0, io.SEEK_CUR: self._position, io.SEEK_END: self._size}[whence]
        self._position = max(0, base + offset)
        return self._position

    def readinto(self, buffer: WriteableBuffer) -> int:
        """Fill the buffer as far as there are bytes; a disk error reads as the end of the file."""
        view = memoryview(buffer).cast("B")
        in_header = self._header[self._position : self._position + len(view)]
        view[: len(in_header)] = in_header
        filled = len(in_header)
        self._position += filled
        wanted = min(len(view) - filled, self._size - self._position)
        if wanted > 0:
            place = self._offset + self._position - len(self._header)
            try:
                if self._file.tell() != place:
                    self._file.seek(place)
                data = self._file.read(wanted)
            except OSError:  # it may not pass through the C library; the short read is reported
                data = b""
            view[filled : filled + len(data)] = data
            filled += len(data)
            self._position += len(data)
        return filled


def find_data(file: BinaryIO, size: int) -> Layout | None:
    """Walk the chunks of a WAV file to its samples, reading headers only.

    Parameters
    ----------
    file : binary file
        Open for reading, seekable.
    size : int
        Its length in bytes.

    Returns
    -------
    Layout or None
        None if it is not a WAV file, or its chunks make no sense. A file that ends before its
        samples has ``length`` 0.

    Notes
    -----
    Lengths of 0 and 2**32 - 1 are what recorders write before they know better. A length of 0 is
    taken at its word only where nothing but whole chunks follows. Chunks behind the samples are
    skipped. The 64-bit lengths are those of RF64 and BW64 [1]_ [2]_.

    References
    ----------
    .. [1] EBU Tech 3306, RF64: an extended file format for audio data.
    .. [2] Recommendation ITU-R BS.2088, long-form file format for audio (BW64).
    """
    file.seek(0)
    head = file.read(40)
    if head[:4] == b"riff" and head[24:28] == b"wave":
        return _find_data_w64(file, size)
    head = head[:12]
    kind = head[:4]
    if kind not in RIFF_KINDS or not b"WAVE".startswith(head[8:]):
        return None
    big_endian = kind == b"RIFX"
    order = ">" if big_endian else "<"
    fmt, long_length = b"", 0
    position, odd = 12, False
    for _ in range(MAX_CHUNKS):
        file.seek(position)
        chunk = file.read(8)
        if len(chunk) < 8:
            return Layout("cut off", size, 0, 0, fmt, big_endian)
        name, length = chunk[:4], struct.unpack(order + "I", chunk[4:])[0]
        if not _is_name(name):
            if not odd:
                return None
            position, odd = position - 1, False  # a writer that forgot the pad byte
            continue
        if name == b"data":
            if not fmt:
                return None
            outer = struct.unpack(order + "I", head[4:8])[0]
            has_long = kind in (b"RF64", b"BW64") and length == UNKNOWN_LENGTH
            place = Layout("sound", position + 8, 0, 0, fmt, big_endian)
            declared = long_length if has_long else length
            unknown = 0 if has_long else UNKNOWN_LENGTH
            found = _measured(file, size, place, declared, unknown, outer)
            plain = kind != b"BW64" and not found.more_data
            return replace(found, plain=plain)
        if name == b"fmt ":
            fmt = file.read(min(length, MAX_FORMAT_BYTES))
        elif name == b"ds64":
            sizes = file.read(16)
            long_length = int.from_bytes(sizes[8:], "little")
            if sizes[:8] in UNKNOWN_LONG:  # a recorder that has not closed its file
                head = head[:4] + bytes(4)
        odd = bool(length % 2)
        position += 8 + length + length % 2
    return None


def time_reference(file: BinaryIO, layout: Layout) -> int | None:
    """Return when a Broadcast WAV file was begun, in samples since midnight.

    Parameters
    ----------
    file : binary file
        Open for reading, seekable.
    layout : Layout
        Where its samples lie, as `find_data` found them.

    Returns
    -------
    int or None
        None where the file has no ``bext`` chunk, or one too short.

    References
    ----------
    .. [1] EBU Tech 3285 version 2 (2011), Specification of the Broadcast Wave Format: the
       Broadcast Audio Extension chunk. Its TimeReference, 64 bits in two words, lies behind 338
       bytes of texts, date and time.
    """
    file.seek(0)
    wide = file.read(4) == b"riff"
    order = layout.order
    position, head, grain = (40, 24, 8) if wide else (12, 8, 2)
    for _ in range(MAX_CHUNKS):
        file.seek(position)
        chunk = file.read(head)
        if len(chunk) < head:
            return None
        length = int.from_bytes(chunk[16:], order) - 24 if wide else 0
        length = length if wide else int.from_bytes(chunk[4:], order)
        if chunk[:4] == b"bext":
            stamp = file.read(min(length, TIME_REFERENCE.stop))[TIME_REFERENCE]
            low, high = (int.from_bytes(word, order) for word in (stamp[:4], stamp[4:]))
            return low + (high << 32) if len(stamp) == 8 else None
        if length < 0:
            return None
        if position + head == layout.offset:
            length = layout.length
        position += -(-(head + length) // grain) * grain
    return None


def _find_data_w64(file: BinaryIO, size: int) -> Layout | None:
    """Do the same in a W64 file: names of 16 bytes, 64-bit lengths that count the chunk's head."""
    fmt, position = b"", 40
    for _ in range(MAX_CHUNKS):
        file.seek(position)
        chunk = file.read(24)
        if len(chunk) < 24:
            return Layout("cut off", size, 0, 0, fmt)
        name, length = chunk[:4], int.from_bytes(chunk[16:], "little") - 24
        if name == b"data":
            place, available = position + 24, size - position - 24
            if length <= 0 and available:
                return Layout("not closed", place, available, 0, fmt) if fmt else None
            state: State = "cut off" if length > available else "sound"
            return Layout(state, place, min(max(length, 0), available), length, fmt)
        if length < 0:
            return None
        if name == b"fmt ":
            fmt = file.read(min(length, MAX_FORMAT_BYTES))
        position = min(position + (24 + length + 7) // 8 * 8, size)
    return None


def _measured(
    file: BinaryIO, size: int, place: Layout, declared: int, unknown: int, outer: int
) -> Layout:
    """Compare the declared length with the bytes on disk."""
    available = size - place.offset
    end = place.offset + declared
    state: State = "sound"
    length, stray, more = declared, 0, 0
    if declared == 0 and _only_chunks(file, place.offset, size):
        length = 0
    elif declared in (0, unknown):
        state, length, declared = "not closed", available, 0
    elif declared > available:
        state, length = "cut off", available
    elif unknown and (available - declared) >> 32:
        state, length = "wrapped", declared + ((available - declared) >> 32 << 32)
    elif not (_only_chunks(file, end + declared % 2, size) or _only_chunks(file, end, size)):
        if outer == 0 or (unknown and outer == UNKNOWN_LENGTH):
            state, length = "not closed", available
        else:
            stray = available - declared
    if state == "sound" and not stray:
        more = _more_data(file, end + declared % 2, size, place.big_endian)
    return replace(
        place, state=state, length=length, declared=declared, stray=stray, more_data=more
    )


def _more_data(file: BinaryIO, position: int, size: int, big_endian: bool) -> int:
    """Return the bytes of further data chunks behind the first one."""
    found = 0
    for _ in range(MAX_CHUNKS):
        file.seek(position)
        chunk = file.read(8)
        if len(chunk) < 8 or not _is_name(chunk[:4]):
            break
        length = int.from_bytes(chunk[4:], "big" if big_endian else "little")
        if chunk[:4] == b"data":
            found += min(length, size - position - 8)
        position += 8 + length + length % 2
    return found


def _only_chunks(file: BinaryIO, position: int, size: int) -> bool:
    """Whether whole chunks, or too few bytes for one, fill the file from there to its end."""
    order: Literal["big", "little"] = "little"
    file.seek(0)
    if file.read(4) == b"RIFX":
        order = "big"
    for _ in range(MAX_CHUNKS):
        if size - position < 8:
            return size - position >= -1
        file.seek(position)
        chunk = file.read(8)
        if not _is_name(chunk[:4]):
            return False
        length = int.from_bytes(chunk[4:], order)
        position += 8 + length + length % 2
    return False


def _is_name(name: bytes) -> bool:
    return all(0x20 <= byte < 0x7F for byte in name)
