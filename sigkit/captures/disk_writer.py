"""The thread that empties the queue onto the disk, and says what became of it."""

from __future__ import annotations

import contextlib
import errno
import math
import shutil
import threading
import time
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from sigkit.captures.broadcast import extension
from sigkit.captures.input_level import InputLevel
from sigkit.captures.intake import Intake, Mark, passing
from sigkit.captures.recording import Ended, Lost, Recording, list_path, write_list
from sigkit.captures.sources import Source
from sigkit.captures.spool import GrowingWav
from sigkit.errors import InputError, SignalError

WAKE_S = 0.1
REFRESH_S = 0.5
SYNC_WAIT_S = 30.0
RESERVE_BYTES = 4 * 2**20
"""Free space at which recording ends, so that header and list still find room."""
CLOCK_SHARE, CLOCK_S = 1e-3, 0.5
"""How far the sound's time may stray from the computer's before it is said."""
ASLEEP_S = 0.5
MOST_PLACES = 10_000
PIECE_BYTES = 2**19
QUEUE_FULL = "the disk did not keep up"
CARD_LOST = "the computer did not fetch it from the sound card in time"
PADDED = "the sound system had none and put silence in"
ASLEEP = "the computer slept"


@dataclass(frozen=True)
class Progress:
    """How a recording is going.

    Parameters
    ----------
    duration_s : float
        Recorded so far.
    recent_dbfs, peaks_dbfs : tuple of float
        Peaks of each channel since the last look, and so far.
    clipped : int
        Samples at full scale so far, all channels.
    lost : int
        Places with lost sound so far.
    queue_share : float
        How full the queue is, 0 to 1.
    left_s : float
        How long the disk lasts; infinite where that is not known.
    """

    duration_s: float
    recent_dbfs: tuple[float, ...]
    peaks_dbfs: tuple[float, ...]
    clipped: int
    lost: int
    queue_share: float
    left_s: float


class DiskWriter:
    """A new file, the queue in front of it, and the thread between them.

    Parameters
    ----------
    path : Path
        The file to make.
    source : Source
        What is recorded.
    limit : int or None
        Frames at which it ends by itself.
    queue_s : float
        Length of the queue.

    Raises
    ------
    InputError, SignalError
        The file is there already, or the disk refuses it.
    """

    def __init__(self, path: Path, source: Source, limit: int | None, queue_s: float) -> None:
        self.source, self.limit = source, limit
        frame_bytes = source.channels * source.bits // 8
        self.intake = Intake(frame_bytes, max(1, round(queue_s * source.rate)))
        self.level = InputLevel(source.channels, source.bits)
        self.started = datetime.now().astimezone()
        self.done = threading.Event()
        self.ended: Ended | None = None
        self.problem = self.remedy = ""
        self.fault: Exception | None = None
        self._reference = uuid.uuid4().hex
        self._lost: list[Lost] = []
        self._listed = 0
        self._stamped = False
        self._kept_at = time.monotonic()
        self._slept_s = passing() - time.monotonic()
        self._free = float(shutil.disk_usage(path.parent).free)
        self._closing, self._to_sync = threading.Event(), threading.Event()
        self._sync_error: OSError | None = None
        self._thread = threading.Thread(target=self._work, name="writes to disk")
        self._syncs = threading.Thread(target=self._sync, name="syncs the disk", daemon=True)
        with _refused(path):
            self.wav = GrowingWav(
                path, source.rate, source.channels, source.bits, self._extension(path)
            )
            try:
                write_list(self.result("recording"), new=True)
            except OSError:
                self.wav.discard()
                raise

    def start(self) -> None:
        """Begin to empty the queue."""
        self._syncs.start()
        self._thread.start()

    def finish(self) -> None:
        """Write what is still in the queue and close the file, whatever is pressed meanwhile."""
        self.intake.closed = True  # even where the source could not be stopped
        self._closing.set()
        while self._thread.is_alive():
            with contextlib.suppress(KeyboardInterrupt):
                self._thread.join()

    def abandon(self) -> None:
        """Remove what was made, which holds not a single frame."""
        if not self.wav.length:
            self.wav.discard()
            list_path(self.wav.path).unlink(missing_ok=True)

    def progress(self) -> Progress:
        """Say how it is going."""
        return Progress(
            self.wav.frames / self.wav.rate,
            self.level.recent_dbfs(),
            self.level.peaks_dbfs,
            int(self.level.clipped.sum()),
            len(self._lost),
            self.intake.held / self.intake.capacity,
            max(0.0, self._free - RESERVE_BYTES) / (self.wav.rate * self.wav.frame_bytes),
        )

    def result(self, ended: Ended, problem: str = "", remedy: str = "") -> Recording:
        """Say what is on disk."""
        return Recording(
            path=self.wav.path,
            started=self.started,
            rate=self.wav.rate,
            channels=self.wav.channels,
            bits=self.wav.bits,
            frames=self.wav.frames,
            peaks_dbfs=self.level.peaks_dbfs,
            clipped=tuple(self.level.clipped.tolist()),
            lost=tuple(self._lost),
            ended=ended,
            problem=problem,
            remedy=remedy,
            notes=(*self.source.notes, *self._heard()),
            reference=self._reference,
            source=self.source.name,
        )

    def _heard(self) -> Iterator[str]:
        """Yield what the sound itself tells about the sound card."""
        used = self.level.bits_used
        if 0 < used < self.wav.bits:
            yield f"the sound card gives {used} bits, the file has {self.wav.bits}"
        first, last = self.intake.began, self.intake.latest
        if first is not None and last is not None:
            took_s = last.passing_s - first.passing_s
            made_s = (last.frames - first.frames) / self.wav.rate
            if self.source.live and abs(took_s - made_s) > CLOCK_S + CLOCK_SHARE * took_s:
                yield (
                    f"{made_s:.1f} s of sound came in {took_s:.1f} s by the computer's clock: it "
                    "slept, sound was lost unseen, or the rate is not what the sound card says"
                )

    def _work(self) -> None:
        try:
            while not self.ended:
                closing = self._closing.is_set()
                self._drain()
                self._keep()
                if closing:
                    self.intake.close()
                    self._drain()
                    break
                if not self.intake.held:
                    self._closing.wait(WAKE_S)
            self.intake.closed = True
        except OSError as error:
            self._disk(error)
        except Exception as error:  # a mistake of ours: the file is closed before it is raised
            self.fault = error
        self.intake.closed = True
        self._close()
        self.done.set()

    def _close(self) -> None:
        """Close the file, with its true header."""
        self._closing.set()
        self._to_sync.set()
        self._syncs.join(SYNC_WAIT_S)
        try:
            if self.wav.frames:
                self.wav.close()
        except OSError as error:
            self._disk(error)

    def _drain(self) -> None:
        """Write what is in the queue."""
        while not self.ended and (piece := self.intake.take()) is not None:
            if not self._stamped:
                self._stamp()
            if isinstance(piece, Mark):
                self._place(piece)
                continue
            width = self.wav.frame_bytes
            piece = piece[: min(PIECE_BYTES // width, self._room) * width]
            self.wav.write(piece)
            self.level.add(piece)
            self.intake.release(len(piece))
            self._keep()
            if not self._room:
                self.ended = "length reached"

    @property
    def _room(self) -> int:
        """Frames until it ends by itself."""
        return PIECE_BYTES if self.limit is None else self.limit - self.wav.frames

    def _place(self, mark: Mark) -> None:
        """Write down what is missing here; zeros in its place where its length is known."""
        rate = self.wav.rate
        if mark.frames:
            frames = min(mark.frames, self._room) if self.limit is not None else mark.frames
            self._lose(frames, True, QUEUE_FULL)
            zeros, left = bytes(PIECE_BYTES // self.wav.frame_bytes * self.wav.frame_bytes), frames
            while left:
                some = min(left, len(zeros) // self.wav.frame_bytes)
                self.wav.write(zeros[: some * self.wav.frame_bytes])
                left -= some
            if not self._room:
                self.ended = "length reached"
        elif mark.padded:
            self._lose(mark.padded, True, PADDED)
        else:
            about = 0 if math.isnan(mark.about_s) else round(mark.about_s * rate)
            self._lose(max(0, about), False, CARD_LOST)

    def _lose(self, frames: int, filled: bool, cause: str) -> None:
        at = self.wav.frames
        if len(self._lost) < MOST_PLACES:
            self._lost.append(Lost(at, at / self.wav.rate, frames, filled, cause))

    def _notice_sleep(self) -> None:
        """Write down a place where the computer slept."""
        slept_s = passing() - time.monotonic()
        if self.source.live and slept_s - self._slept_s > ASLEEP_S:
            self._lose(round((slept_s - self._slept_s) * self.wav.rate), False, ASLEEP)
        self._slept_s = slept_s

    def _stamp(self) -> None:
        """Put the time of the first sample into the header."""
        began = self.intake.began
        self._stamped = True
        if began is not None:
            age_s = began.frames / self.wav.rate + self.source.delay_s
            self.started = datetime.fromtimestamp(began.since_1970_s - age_s).astimezone()
            self.wav.extension = self._extension(self.wav.path)
            self.wav.refresh()

    def _extension(self, path: Path) -> bytes:
        return extension(
            description=f"{path.stem}, begun {self.started.isoformat(timespec='milliseconds')}",
            reference=self._reference,
            started=self.started,
            rate=self.source.rate,
            channels=self.source.channels,
            bits=self.source.bits,
        )

    def _keep(self) -> None:
        """Now and then bring the header up to date, have it synced, look at disk and clock."""
        if time.monotonic() - self._kept_at < REFRESH_S:
            return
        self._kept_at = time.monotonic()
        self._notice_sleep()
        self.wav.refresh()
        self._to_sync.set()
        if self._sync_error is not None:
            raise self._sync_error
        if len(self._lost) > self._listed:
            self._listed = len(self._lost)
            write_list(self.result("recording"))
        self._free = shutil.disk_usage(self.wav.path.parent).free
        if self._free < RESERVE_BYTES:
            raise OSError(errno.ENOSPC, "disk full")

    def _sync(self) -> None:
        """Have the disk take what is written, again and again, without holding up the writer."""
        while not self._closing.is_set() or self._thread.is_alive():
            self._to_sync.wait()
            self._to_sync.clear()
            if self._closing.is_set():
                return
            try:
                self.wav.sync()
            except OSError as error:
                self._sync_error = error
                return

    def _disk(self, error: OSError) -> None:
        """Say what the disk refused, once."""
        if self.ended == "disk":
            return
        self.ended = "disk"
        self.problem, self.remedy = _disk_words(error)


def _disk_words(error: OSError) -> tuple[str, str]:
    """Return problem and remedy for what the operating system says."""
    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        return (
            "The disk is full: recording ended; everything up to here is in the file.",
            "Make room or take another disk, then record the next take.",
        )
    if error.errno == errno.EFBIG:
        return (
            "The disk takes no larger file: recording ended; everything up to here is in it.",
            "FAT32 disks stop at 4 GiB: use another one, or record mono at 48 kHz.",
        )
    return (
        f"The disk failed ({error.strerror or error}): recording ended.",
        "Check the disk; what was written before is kept.",
    )


@contextmanager
def _refused(path: Path) -> Iterator[None]:
    """Turn what the operating system says about a new file into errors of ours."""
    try:
        yield
    except FileExistsError as error:
        raise taken(Path(error.filename or path)) from None
    except OSError as error:
        raise SignalError(
            f"No file can be made there: {error.strerror or error}.",
            where=str(path),
            remedy="Check the disk and its permissions, or record to another one.",
        ) from None


def taken(path: Path) -> InputError:
    """Return the error for a name that is in use."""
    return InputError(
        "There is a file of that name already; nothing is ever written over.",
        where=str(path),
        remedy="Give the next take its own number: -t2, -t3 and so on.",
    )
