"""A cue track written to a WAV file, block by block, its times exact to the sample."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import soundfile as sf

from sigkit.arrays import Real
from sigkit.captures.cues.code import (
    COUNT,
    PEAK,
    TICK_S,
    TONE_SHARE,
    WHEN,
    WHICH,
    beep,
    signs,
    tick_noises,
)
from sigkit.captures.cues.plan import Plan, plan_of
from sigkit.errors import InputError

RATES = (44100, 48000, 88200, 96000)
BLOCK_TICKS = 40


def make_cue(
    test: str,
    path: str | os.PathLike[str],
    *,
    passes: int | None = None,
    keys: int | None = None,
    marks: int | None = None,
    tempo: float = 1.0,
    rate: int = 48000,
) -> Plan:
    """Write the cue track of a test: beeps to follow with both hands, and to loop to input 2.

    Parameters
    ----------
    test : str
        Name of the bench test.
    path : str or path-like
        WAV file to write, mono, 16 bits; never one that is there already.
    passes, keys, marks : int, optional
        How often; None: as the protocol has it. Passes of a slider, presses of an envelope,
        repeats of a glide, sweeps over the keyboard, half hours of a warm-up; keys of the keyboard;
        marks of a glide slider in one take.
    tempo : float, optional
        From 0.5 (twice as long) to 2, in steps of 0.1, for glide, envelope, slider and keyboard.
    rate : int, optional
        Sample rate: 44100, 48000, 88200 or 96000 Hz.

    Returns
    -------
    Plan
        What the track asks for, when; ``steps`` has every beep.

    Raises
    ------
    InputError
        No such test, an option out of reach, or the file is there already.

    See Also
    --------
    sigkit.read_cue : Find the track again in a capture.

    Notes
    -----
    One beep (rising): up, or press. Two (falling): down, or let go. Three: next. A long one: stop.
    Between them soft ticks every half second carry a code that says which track it is and how far
    it has come; three quieter pips on the way of a slider are the quarters of its travel.

    Examples
    --------
    >>> import tempfile
    >>> plan = make_cue("slider", tempfile.mkdtemp() + "/cue.wav", passes=1)
    >>> [(step.kind, step.start_s, step.stop_s) for step in plan.steps]
    [('up', 3.0, 7.0), ('down', 8.0, 12.0), ('stop', 13.0, 14.0)]
    """
    plan = plan_of(test, passes=passes, keys=keys, marks=marks, tempo=tempo)
    if rate not in RATES:
        raise InputError(
            f"rate must be one of {', '.join(map(str, RATES))} Hz; got {rate!r}.",
            where=f"cue {test}, rate",
            remedy="Take the rate at which you record.",
        )
    path = Path(path)
    try:
        with (
            path.open("xb") as file,
            sf.SoundFile(file, "w", rate, 1, "PCM_16", format="WAV") as sound,
        ):
            for block in track_blocks(plan, rate):
                sound.write(block)
    except FileExistsError:
        raise InputError(
            "The file is there already, and nothing is written over.",
            where=str(path),
            remedy="Give another name, or move the old file away.",
        ) from None
    except OSError as error:
        raise InputError(
            f"The file cannot be written: {error.strerror or error}.",
            where=str(path),
            remedy="Choose a folder that exists and that you may write to.",
        ) from None
    return plan


def track_blocks(plan: Plan, rate: int) -> Iterator[Real]:
    """Yield the sound of a track in blocks of whole ticks, full scale = 1."""
    noises, size = tick_noises(rate), round(rate * TICK_S)
    top = float(np.max(np.abs(noises).sum(axis=0)))
    noises = noises * (PEAK * (1 - TONE_SHARE) / top)
    beeps = [(round(at * rate), beep(kind, rate)) for kind, at in beeps_of(plan)]
    ticks = round(plan.length_s / TICK_S)
    for first in range(0, ticks, BLOCK_TICKS):
        n = np.arange(first, min(first + BLOCK_TICKS, ticks))
        wave = noises[WHEN] + np.outer(signs(0, n), noises[COUNT])
        wave += np.outer(signs(plan.number, n), noises[WHICH])
        block, begin = wave.ravel(), first * size
        for at, sound in beeps:
            a, b = max(at, begin), min(at + sound.size, begin + block.size)
            if a < b:
                block[a - begin : b - begin] += PEAK * TONE_SHARE * sound[a - at : b - at]
        yield block


def beeps_of(plan: Plan) -> list[tuple[str, float]]:
    """Return kind and start of every beep, the pips on the way of a movement included."""
    out = []
    for step in plan.steps:
        out.append((step.kind, step.start_s))
        if np.isfinite(step.from_percent):
            part = (step.stop_s - step.start_s) / 4
            out += [("quarter", step.start_s + quarter * part) for quarter in (1, 2, 3)]
    return out
