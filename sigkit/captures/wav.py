"""A WAV capture: header first, sound in blocks, never written to."""

from __future__ import annotations

import hashlib
import math
import operator
import os
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import soundfile as sf
from numpy.typing import NDArray

from sigkit.captures.disk import (
    CONVERT,
    decoder,
    file_path,
    magic,
    no_samples,
    opened,
    refuse_foreign,
)
from sigkit.captures.header import Layout, find_data
from sigkit.captures.recording import list_notes
from sigkit.captures.remarks import header_notes, louder_channel, spoken_place, spoken_time
from sigkit.errors import InputError, SignalError

if TYPE_CHECKING:
    from sigkit.captures.fitness import Fitness

READABLE = ("WAV", "WAVEX", "RF64", "W64", "AIFF", "FLAC")
"""Containers that a capture may come in; all but FLAC store the samples as they are."""

READ_FRAMES = 2**19
WAV_NAMES = (".wav", ".w64", ".rf64")
USUAL_RATES_HZ = (8000, 192000)


@dataclass(frozen=True, eq=False)
class Capture:
    """One recording on disk: opened for reading only, cheap to hold, to pickle and to pass on.

    Parameters
    ----------
    path : Path
        The file.
    rate : int
        Sample rate in Hz.
    channels : int
        Number of channels in the file.
    frames : int
        Whole sample frames in the file.
    channel : int
        0-based channel that is read.
    notes : tuple of str
        Remarks of the reader: the channel taken, a repaired header, bytes left out.
    container, subtype : str
        Container and sample format, in the words of libsndfile, such as ``"WAV"``, ``"PCM_24"``.
    layout : Layout, optional
        Where the samples lie, if the header in the file cannot be trusted.

    Notes
    -----
    Samples are handed out as they are stored, scaled so that full scale is 1: nothing is resampled,
    normalised or mixed. Make one with `open_capture`.
    """

    path: Path
    rate: int
    channels: int
    frames: int
    channel: int
    notes: tuple[str, ...] = ()
    container: str = "WAV"
    subtype: str = ""
    layout: Layout | None = None

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return self.frames / self.rate

    @property
    def salvaged(self) -> bool:
        """Whether the header in the file is wrong and was put right in memory."""
        return self.layout is not None and self.layout.state != "sound"

    @cached_property
    def sha256(self) -> str:
        """SHA-256 of the whole file as it is on disk, in hexadecimal."""
        with opened(self.path) as file:
            return hashlib.file_digest(file, "sha256").hexdigest()

    def blocks(self, seconds: float = 10.0) -> Iterator[NDArray[np.float64]]:
        """Read the channel from start to end in consecutive blocks.

        Parameters
        ----------
        seconds : float, optional
            Length of a block; the last one may be shorter.

        Yields
        ------
        ndarray, shape (n_samples,)
            Samples, full scale = 1; a fresh array each time.

        Raises
        ------
        InputError
            ``seconds`` is not above zero.
        SignalError
            A sample is NaN or infinite, or the file cannot be read to its end.
        """
        for _, block in self.frame_blocks(seconds):
            yield np.ascontiguousarray(block[:, self.channel])

    def frame_blocks(self, seconds: float = 10.0) -> Iterator[tuple[int, NDArray[np.float64]]]:
        """Read every channel in consecutive blocks; see `blocks`.

        Yields
        ------
        first : int
            Index of the block's first frame.
        block : ndarray, shape (n_frames, n_channels)
            Samples, full scale = 1. Only the chosen channel is checked for NaN and infinity.
        """
        if not (math.isfinite(seconds) and seconds > 0):
            raise InputError(
                f"seconds must be a length above zero; got {seconds}.",
                where=str(self.path),
                remedy="Leave it out to read blocks of 10 s.",
            )
        size = max(1, min(round(seconds * self.rate), self.frames))
        yield from self._stretch(0, self.frames, size)

    def read(self, start_s: float = 0.0, stop_s: float | None = None) -> NDArray[np.float64]:
        """Read the channel between two times.

        Parameters
        ----------
        start_s, stop_s : float, optional
            From and to, in seconds from the start of the file; ``stop_s=None`` is its end.

        Returns
        -------
        ndarray, shape (n_samples,)
            Samples, full scale = 1.

        Raises
        ------
        InputError
            The times are not in order, or outside the capture.
        SignalError
            A sample is NaN or infinite, or the file cannot be read that far.
        """
        stop_s = self.duration_s if stop_s is None else stop_s
        half_sample = 0.5 / self.rate
        if not (0 <= start_s < stop_s <= self.duration_s + half_sample):
            raise InputError(
                f"Times must satisfy 0 <= start_s < stop_s <= {self.duration_s:g} s; "
                f"got start_s = {start_s}, stop_s = {stop_s}.",
                where=str(self.path),
                remedy="Ask for a stretch inside the capture (seconds, not samples).",
            )
        start, stop = round(start_s * self.rate), min(round(stop_s * self.rate), self.frames)
        try:
            samples = np.empty(stop - start)
        except MemoryError:
            raise SignalError(
                f"{spoken_time((stop - start) / self.rate)} of sound do not fit into memory.",
                where=str(self.path),
                remedy="Read a shorter stretch, or go through it with blocks().",
            ) from None
        for first, block in self._stretch(start, stop, READ_FRAMES):
            samples[first - start : first - start + len(block)] = block[:, self.channel]
        return samples

    def fitness(self, test: str | None = None) -> Fitness:
        """Say whether the capture is fit to measure; reads it once from start to end.

        Parameters
        ----------
        test : str, optional
            Bench test that it is for, such as ``"warmup"``: its length and content are then held
            against what that test needs.
        """
        from sigkit.captures.fitness import check_fitness

        return check_fitness(self, test)

    def _stretch(
        self, start: int, stop: int, size: int
    ) -> Iterator[tuple[int, NDArray[np.float64]]]:
        """Yield every channel between two frames, in blocks of ``size`` frames."""
        with decoder(self.path, self.layout) as sound:
            if start:
                sound.seek(start)
            for first in range(start, stop, size):
                yield first, self.frames_at(sound, first, min(size, stop - first))

    def frames_at(self, sound: sf.SoundFile, first: int, count: int) -> NDArray[np.float64]:
        """Read frames from where the decoder stands, and check that they are all there."""
        block: NDArray[np.float64] = sound.read(count, dtype="float64", always_2d=True)
        if len(block) < count:
            raise SignalError(
                f"The sound breaks off at {(first + len(block)) / self.rate:.3f} s, before the "
                f"{self.duration_s:.3f} s that its header promises.",
                where=str(self.path),
                remedy="Copy the file again from the recorder, or convert what is left to WAV.",
            )
        if self.subtype in ("FLOAT", "DOUBLE"):
            good = np.isfinite(block[:, self.channel])
            if not good.all():
                at = int(np.argmin(good))
                raise SignalError(
                    f"Sample at {spoken_place((first + at) / self.rate, 6)} is "
                    f"{block[at, self.channel]}, not a number that can be measured.",
                    where=f"{self.path}, channel {self.channel} (counted from 0)",
                    remedy="Record again, or export the sound again as 24-bit PCM.",
                )
        return block


def open_capture(path: str | os.PathLike[str], channel: int | None = None) -> Capture:
    """Open a capture; reads its header and a few short stretches, never the whole file.

    Parameters
    ----------
    path : str or path-like
        A WAV file: PCM of 8 to 32 bits, float, A-law or mu-law; RIFF, RIFX, RF64, BW64 or W64.
        AIFF and FLAC files are read as well; a job takes WAV files only.
    channel : int, optional
        0-based channel to read; None takes the only one, or the loudest where 48 short windows
        spread over the file were looked at, which ``notes`` then says.

    Returns
    -------
    Capture
        Ready to read.

    Raises
    ------
    InputError
        No such file, a folder, or no such channel.
    SignalError
        The file is not audio, empty, without samples, in a codec that cannot be read, or may not
        be read.

    Notes
    -----
    A header that does not tell the truth, as after a crash of the recorder, is corrected in memory,
    and every whole frame on disk is read; ``notes`` says so. The file is never written to.

    Examples
    --------
    >>> import tempfile, wave
    >>> name = tempfile.mkdtemp() + "/stability-oscillator_1.wav"
    >>> with wave.open(name, "wb") as file:
    ...     file.setparams((1, 2, 48000, 0, "NONE", ""))
    ...     file.writeframes(bytes(2 * 48000))
    >>> capture = open_capture(name)
    >>> capture.rate, capture.channels, capture.duration_s
    (48000, 1, 1.0)
    """
    path = file_path(path)
    with opened(path) as file:
        size = os.fstat(file.fileno()).st_size
        layout = find_data(file, size)
        start = magic(file)
    if size == 0:
        raise no_samples(path, "The file is empty: 0 bytes.")
    if layout is not None and layout.length == 0:
        where = "ends before its sound: it holds" if layout.state == "cut off" else "holds"
        raise no_samples(path, f"The file {where} a WAV header and no samples.")
    refuse_foreign(path, start, layout)
    repair = None if layout is None or layout.trusted else layout
    return _described(path, repair, layout, start, channel)


def _described(
    path: Path, repair: Layout | None, layout: Layout | None, start: bytes, channel: int | None
) -> Capture:
    """Open the decoder once, and write down what it says."""
    with decoder(path, repair, layout) as sound:
        rate, channels, frames = sound.samplerate, sound.channels, sound.frames
        if sound.format not in READABLE:
            raise SignalError(
                f"The file is {sound.format_info}, which is not read here.",
                where=str(path),
                remedy=CONVERT,
            )
        if not 0 < frames < 2**62:
            raise no_samples(path, "The file holds no whole sample frame.")
        notes = header_notes(layout, sound) if layout is not None else []
        if sound.format in ("AIFF", "FLAC") and path.suffix.casefold() in WAV_NAMES:
            notes.append(f"named {path.suffix}, but it is {sound.format}; read as such")
        if start[:4] == b"FORM" and int.from_bytes(start[4:8], "big") + 8 > path.stat().st_size:
            got = spoken_time(frames / rate)
            notes.append(f"the file ends before its header says; {got} can be read")
        if not USUAL_RATES_HZ[0] <= rate <= USUAL_RATES_HZ[1]:
            notes.append(f"sample rate of {rate} Hz is outside 8 to 192 kHz: is it right?")
        notes += list_notes(path, frames)
        if channel is not None:
            channel = _checked_channel(channel, channels, path)
        elif channels == 1:
            channel = 0
        else:
            channel, note = louder_channel(sound)
            notes.append(note)
        return Capture(
            path, rate, channels, frames, channel, tuple(notes), sound.format, sound.subtype, repair
        )


def _checked_channel(channel: int, channels: int, path: Path) -> int:
    try:
        number = -1 if isinstance(channel, bool) else operator.index(channel)
    except TypeError:
        number = -1
    if not 0 <= number < channels:
        has = "one channel, number 0" if channels == 1 else f"channels 0 to {channels - 1}"
        raise InputError(
            f"There is no channel {channel!r}: the file has {has}.",
            where=str(path),
            remedy="Channels are counted from 0; leave it out to take the louder one.",
        )
    return number
