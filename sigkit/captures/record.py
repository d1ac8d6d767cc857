"""From a sound card, or any other source of blocks, to a WAV file on disk.

Three threads: the source delivers blocks into a bounded queue and never waits; the writer empties
it onto the disk some ten times a second and writes the header anew; a third one has the disk
itself take what is written, so that a slow disk holds up neither.
"""

from __future__ import annotations

import contextlib
import math
import os
import shutil
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from sigkit.captures.disk_writer import RESERVE_BYTES, WAKE_S, DiskWriter, Progress, taken
from sigkit.captures.recording import Ended, Recording, list_path, write_list
from sigkit.captures.sources import END, Source
from sigkit.errors import InputError, SignalError

QUEUE_S = 20.0
"""How long the disk may stand still before sound is lost."""
STALL_S = 2.0
"""Without a block for so long, the source is taken to be gone."""
STOP_S = 3.0
STOPPING = "stops the source"
"""Name of the thread that does; it may hang where a driver does."""
BITS = (16, 24, 32)
PLUG_IN = "Check the sound card and its cable, then record the next take."


def record_capture(
    path: str | os.PathLike[str],
    source: Source | None = None,
    *,
    seconds: float | None = None,
    stop: threading.Event | None = None,
    watch: Callable[[Progress], None] | None = None,
    queue_s: float = QUEUE_S,
) -> Recording:
    """Record to a new WAV file until told to stop; hours if need be.

    Parameters
    ----------
    path : str or path-like
        The new file, ending in ``.wav``; it and ``NAME.recording.json`` beside it must not be
        there yet.
    source : Source, optional
        What to record from; None takes the computer's own input at 48 kHz and 24 bits, see
        `sigkit.captures.sound_card.SoundCard`.
    seconds : float, optional
        Length to record; None goes on until stopped.
    stop : threading.Event, optional
        Ends the recording when it is set. Ctrl-C, and the stop button of a notebook, do so too.
    watch : callable, optional
        Called about ten times a second with a `Progress`.
    queue_s : float, optional
        How long the disk may stand still before sound is lost.

    Returns
    -------
    Recording
        What is on disk, what is missing from it, and why it ended. A full disk or a sound card that
        was unplugged end it too: everything so far is on disk, and ``problem`` says what happened.

    Raises
    ------
    InputError
        The file exists, its folder does not, or the length is none; nothing is written.
    SignalError
        There is no sound card, not a single frame arrived, or the disk refuses the file.

    Notes
    -----
    Where the queue is full, as many frames are lost as did not find room; zeros stand in their
    place, so that what follows keeps its time. Where the sound card itself lost sound, PortAudio
    tells the place but not how much: nothing is put in, and the list says about how much by the
    card's clock. Both are listed with their place in ``NAME.recording.json``.

    Examples
    --------
    >>> import tempfile
    >>> from sigkit.synth.live import LiveTone
    >>> path = tempfile.mkdtemp() + "/stability-oscillator_1.wav"
    >>> recording = record_capture(path, LiveTone(440.0, live=False), seconds=2)
    >>> recording.duration_s, recording.complete
    (2.0, True)
    """
    target = _target(path)
    if seconds is not None and not (math.isfinite(seconds) and seconds > 0):
        raise InputError(
            f"The length to record must be above zero; got {seconds} s.",
            where="seconds",
            remedy="Give seconds, or leave it out to record until stopped.",
        )
    if source is None:
        from sigkit.captures.sound_card import SoundCard

        source = SoundCard()
    if source.bits not in BITS or source.channels < 1:
        raise InputError(
            f"A source of {source.bits} bits and {source.channels} channels cannot be recorded.",
            where=source.name,
            remedy=f"Bits are {', '.join(map(str, BITS))}; channels one or more.",
        )
    need = 0.0 if seconds is None else seconds * source.rate * source.channels * source.bits / 8
    free = shutil.disk_usage(target.parent).free
    if free < need + RESERVE_BYTES:
        raise InputError(
            f"The disk has too little room: {free / 1e6:.0f} MB are free, "
            f"{(need + RESERVE_BYTES) / 1e6:.0f} MB wanted.",
            where=str(target.parent),
            remedy="Record to another disk, or make room; nothing was recorded.",
        )
    limit = None if seconds is None else max(1, round(seconds * source.rate))
    writer = DiskWriter(target, source, limit, queue_s)
    try:
        source.start(writer.intake)
    except BaseException:
        writer.abandon()
        raise
    writer.start()
    try:
        ended, problem, remedy = _wait(writer, source, stop or threading.Event(), watch)
    finally:  # whatever happens, what is there is closed and kept
        _stop(source)
        writer.finish()
    if writer.fault is not None:
        raise writer.fault
    if writer.ended is not None:
        ended, problem, remedy = writer.ended, writer.problem, writer.remedy
    if not writer.wav.frames:
        writer.abandon()
        raise SignalError(
            problem or "Not a single frame of sound arrived.",
            where=source.name,
            remedy=remedy or "Record for longer, or choose another input.",
        )
    recording = writer.result(ended, problem, remedy)
    try:
        write_list(recording)
    except OSError as error:
        note = f"its list could not be brought up to date: {error.strerror or error}"
        recording = replace(recording, notes=(*recording.notes, note))
    return recording


def _wait(
    writer: DiskWriter,
    source: Source,
    stop: threading.Event,
    watch: Callable[[Progress], None] | None,
) -> tuple[Ended, str, str]:
    """Wait for one of the many ends; return which, and what is wrong."""
    silent_s, looked_at, seen = 0.0, time.monotonic(), 0
    with contextlib.suppress(KeyboardInterrupt):
        while not writer.done.wait(WAKE_S):
            if watch is not None:
                watch(writer.progress())
            if stop.is_set():
                break
            if source.ended == END:
                return "source ended", "", ""
            if source.ended:
                return "no sound arrives", source.ended, PLUG_IN
            # Only time in which this program ran counts: after a pause the source comes first.
            silent_s += min(time.monotonic() - looked_at, 2 * WAKE_S)
            looked_at = time.monotonic()
            if seen != writer.intake.delivered:
                silent_s, seen = 0.0, writer.intake.delivered
            if silent_s > STALL_S:
                problem = f"No sound has come from {source.name} for {silent_s:.0f} s."
                return "no sound arrives", problem, PLUG_IN
    return "stopped", "", ""


def _stop(source: Source) -> None:
    """Stop the source, but do not wait for one that hangs."""
    thread = threading.Thread(target=source.stop, daemon=True, name=STOPPING)
    thread.start()
    with contextlib.suppress(KeyboardInterrupt):
        thread.join(STOP_S)


def _target(path: str | os.PathLike[str]) -> Path:
    """Check that a file may be made there."""
    target = Path(path)
    if target.suffix.casefold() != ".wav":
        raise InputError(
            f"A recording is a WAV file; this name ends in {target.suffix!r}.",
            where=str(target),
            remedy="Let its name end in .wav.",
        )
    if not target.parent.is_dir():
        raise InputError(
            "There is no such folder to record into.",
            where=str(target.parent),
            remedy="Make the stage's folder first; is the drive connected?",
        )
    for there in (target, list_path(target)):
        if there.exists() or there.is_symlink():
            raise taken(there)
    return target
