"""Files on disk and the decoder on them, with every failure as one clear error."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from io import BufferedReader
from pathlib import Path
from typing import BinaryIO

import soundfile as sf

from sigkit.captures.header import RIFF_KINDS, Layout
from sigkit.errors import InputError, SignalError

CONVERT = "Record or convert it to WAV (PCM, 24 bit)."
MPEG = (0x0050, 0x0055)
CODECS = {
    0x0002: "ADPCM",
    0x0011: "IMA ADPCM",
    0x0031: "GSM 6.10",
    0x0050: "MPEG audio",
    0x0055: "MPEG audio layer 3",
    0x00FF: "AAC",
}
"""Names of the commoner lossy codecs by their format tag in the header."""
FOREIGN = (
    (b"OggS", 0, "Ogg"),
    (b"ID3", 0, "MP3"),
    (b"\xff\xfb", 0, "MP3"),
    (b"\xff\xf3", 0, "MP3"),
    (b"ftyp", 4, "MP4 or M4A"),
    (b".snd", 0, "AU"),
    (b"caff", 0, "CAF"),
    (b"\x1aE\xdf\xa3", 0, "Matroska or WebM"),
    (b"PK\x03\x04", 0, "a ZIP archive"),
)
"""First bytes of other kinds of file: bytes, their place, name."""


def file_path(path: str | os.PathLike[str]) -> Path:
    """Check that the path leads to a file, not to a folder, a pipe or nothing."""
    remedy = "Give the path of a WAV file."
    try:
        path = Path(path)
        with _disk_errors(path):
            path.stat()
            is_file, is_folder = path.is_file(), path.is_dir()
    except (TypeError, ValueError) as error:
        if isinstance(error, InputError):
            raise
        raise InputError(f"This is not a path: {error}.", where=repr(path), remedy=remedy) from None
    if not is_file:
        what = "a folder" if is_folder else "not a regular file"
        raise InputError(f"A WAV file is wanted; this is {what}.", where=str(path), remedy=remedy)
    return path


@contextmanager
def _disk_errors(path: Path) -> Iterator[None]:
    """Turn what the operating system says into errors of ours."""
    try:
        yield
    except (FileNotFoundError, NotADirectoryError):
        raise InputError(
            "There is no such file.",
            where=str(path),
            remedy="Check the name and the folder; is the drive connected?",
        ) from None
    except PermissionError:
        raise SignalError(
            "The file may not be read: no permission.",
            where=str(path),
            remedy="Change its permissions, close other programs, or copy it elsewhere.",
        ) from None
    except OSError as error:
        raise SignalError(
            f"The file cannot be read: {error.strerror or error}.",
            where=str(path),
            remedy="Check the drive, and copy the file to another one.",
        ) from None


@contextmanager
def opened(path: Path) -> Iterator[BufferedReader]:
    """Open a file for reading only."""
    with _disk_errors(path), path.open("rb") as file:
        yield file


@contextmanager
def decoder(
    path: Path, repair: Layout | None, layout: Layout | None = None
) -> Iterator[sf.SoundFile]:
    """Open libsndfile on the file, or on the repaired header in front of its samples."""
    with opened(path) as file:
        # By descriptor, whatever the name; but Windows' C libraries do not share descriptors.
        on_disk = str(path) if sys.platform == "win32" else file.fileno()
        try:
            sound = sf.SoundFile(on_disk if repair is None else repair.spliced(file), closefd=False)
        except (sf.SoundFileError, TypeError, ValueError) as error:
            raise _unreadable(path, layout or repair, _short(error)) from error
        try:
            with sound:
                yield sound
        except sf.SoundFileError as error:
            raise SignalError(
                f"The sound cannot be decoded: {_short(error)}.",
                where=str(path),
                remedy="Copy the file again from the recorder, or record again.",
            ) from error


def magic(file: BinaryIO) -> bytes:
    """Return the first bytes, which say what kind of file it is."""
    file.seek(0)
    return file.read(16)


def refuse_foreign(path: Path, start: bytes, layout: Layout | None) -> None:
    """Raise if the first bytes or the codec are none that a measurement can be made on.

    The decoder would guess MPEG audio in many things, and talk about it on the terminal.
    """
    if layout is not None and layout.codec in MPEG:
        raise _unreadable(path, layout, "")
    if start[:4] not in (*RIFF_KINDS, b"riff", b"FORM", b"fLaC"):
        known = [kind for mark, at, kind in FOREIGN if start[at : at + len(mark)] == mark]
        what = f"{known[0]}, not" if known else "not"
        raise SignalError(
            f"The file is {what} audio in a format that is read here "
            "(WAV; outside a job AIFF, FLAC).",
            where=str(path),
            remedy=CONVERT,
        )


def _unreadable(path: Path, layout: Layout | None, words: str) -> SignalError:
    if layout is not None and layout.codec not in (0, 1, 3):
        name = CODECS.get(layout.codec, "unknown")
        problem = f"The sound is in a codec that cannot be read: {name} (0x{layout.codec:04X})."
    elif layout is not None and layout.codec == 1 and layout.bits > 32:
        problem = f"The samples are integers of {layout.bits} bits; up to 32 are read."
    elif layout is not None and layout.codec == 3 and layout.bits not in (32, 64):
        problem = f"The samples are floats of {layout.bits} bits; 32 and 64 are read."
    else:
        problem = f"The header makes no sense to the decoder: {words}."
    return SignalError(problem, where=str(path), remedy=CONVERT)


def no_samples(path: Path, problem: str) -> SignalError:
    """Return the error for a file that holds nothing to measure."""
    return SignalError(
        problem, where=str(path), remedy="Record again, or copy the file again from the recorder."
    )


def _short(error: Exception) -> str:
    """Return the decoder's own words without the path, in one line."""
    text = getattr(error, "error_string", "") or str(error)
    return " ".join(str(text).split()).rstrip(".") or type(error).__name__
