"""Envelope: attack, decay, sustain and release of every note, by the sound or by a key."""

from __future__ import annotations

import math
import operator
from collections.abc import Iterator
from dataclasses import dataclass, field, fields

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sigkit.arrays import Real
from sigkit.captures.fitness import Tally, clipped_of
from sigkit.captures.needed import takes_capture
from sigkit.captures.remarks import spoken_place
from sigkit.captures.watch import watched
from sigkit.captures.wav import Capture
from sigkit.errors import InputError
from sigkit.measures.cued import unanswered
from sigkit.measures.envelope.answers import (
    COUNT_U,
    QUIET_THUMP_DB,
    answers_of,
    notes_table,
    remarks_of,
)
from sigkit.measures.envelope.notes import HeardNote, notes_of
from sigkit.measures.envelope.result import EnvelopeResult, Trace
from sigkit.measures.envelope.told import EVERY
from sigkit.measures.held_note import source_of
from sigkit.quantity import Quantity, Term, combine, not_measurable
from sigkit.tracks.envelope.key import KeyWatch, nearest_before
from sigkit.tracks.envelope.stretches import stretches
from sigkit.tracks.recorder import faults_seen

KEY_BEFORE_S, KEY_AFTER_S = 0.08, 0.003
"""Reach in which a key belongs to an onset, and to a release."""


@takes_capture
def measure_envelope(capture: Capture, *, key_channel: int | None = None) -> EnvelopeResult:
    """Measure the envelope of every note of a capture.

    Parameters
    ----------
    capture : Capture
        Notes of one steady carrier, best a saw or pulse of 440 Hz or more with the filter open,
        whose loudness the envelope controls: five presses, each held until it has settled and let
        fall to silence, 1 s of silence before the first and after the last.
    key_channel : int, optional
        0-based channel that holds the gate or a microphone at the key. Times then run from the key
        and not from the sound. None: no such channel.

    Returns
    -------
    EnvelopeResult
        Every note in ``notes``; the quantities are means over them.

    Raises
    ------
    InputError
        No such channel, or the same channel for sound and key.

    Notes
    -----
    The carrier's own wave is learned from the held part of the notes, at a pitch found to about a
    millionth and followed where it drifts; the envelope is the projection of the sound on that
    wave, so that it is linear, signed and free of ripple, and may be read within a period. Attack
    and decay come from a fit of a capacitor charged toward an aim above the peak and let down to
    the sustain, through a linear amplifier, one whose gain is a power of its control, or an
    exponential one, whichever leaves less by far.
    Releases come from the envelope itself, where it crosses 20, 40 and 60 dB below the level at
    release: an amplifier that closes early, leaks or has another law makes times foretold from a
    time constant wrong by a multiple. The end of the gate is the knee of the envelope; a note that
    falls from its peak in one curve has none.

    A carrier whose pitch or wave changes too fast to be learned, or noise, is measured by its power
    alone; an attack is then told from three periods on.

    IEEE Std 181 [1]_ takes the states of a transition from a histogram. Where a sustain is held it
    would find that, and not the peak: attacks are re the peak.

    References
    ----------
    .. [1] IEEE Std 181-2011, Transitions, Pulses, and Related Waveforms (from memory).
    """
    key_channel = _checked(capture, key_channel)
    watching = _Watching(capture, key_channel)
    heard: list[HeardNote] = []
    hum_hz = math.nan
    for stretch in stretches(watching.capture):
        found, hum_hz = notes_of(stretch, hum_hz)
        heard += found
    return _result(capture, watching, heard, key_channel)


@dataclass(frozen=True, eq=False)
class _Passing(Capture):
    """A capture whose frames are looked at while they pass."""

    inner: Capture = field(kw_only=True)
    tally: Tally = field(kw_only=True)
    key: KeyWatch | None = field(default=None, kw_only=True)
    key_channel: int | None = field(default=None, kw_only=True)

    def frame_blocks(self, seconds: float = 10.0) -> Iterator[tuple[int, NDArray[np.float64]]]:
        """Read every channel in blocks, as the capture behind it does."""
        for first, frames in self.inner.frame_blocks(seconds):
            self.tally.add(first, frames)
            if self.key is not None and self.key_channel is not None:
                self.key.add(np.ascontiguousarray(frames[:, self.key_channel]))
            yield first, frames


class _Watching:
    """What is seen of a capture in the one pass in which its notes are measured."""

    def __init__(self, capture: Capture, key_channel: int | None) -> None:
        self.tally = Tally(capture)
        self.key = None if key_channel is None else KeyWatch(capture.rate)
        known = {f.name: getattr(capture, f.name) for f in fields(Capture)}
        passing = _Passing(
            **known, inner=capture, tally=self.tally, key=self.key, key_channel=key_channel
        )
        self.capture = watched(passing)


def _checked(capture: Capture, key_channel: int | None) -> int | None:
    if key_channel is None:
        return None
    try:
        number = -1 if isinstance(key_channel, bool) else operator.index(key_channel)
    except TypeError:
        number = -1
    if not 0 <= number < capture.channels or number == capture.channel:
        raise InputError(
            f"key_channel must be another channel than the sound's, from 0 to "
            f"{capture.channels - 1}; got {key_channel!r}, the sound is in {capture.channel}.",
            where=capture.path.name,
            remedy="Channels are counted from 0; leave it out where no key was recorded.",
        )
    return number


def _result(
    capture: Capture, watching: _Watching, heard: list[HeardNote], key_channel: int | None
) -> EnvelopeResult:
    remarks: list[str] = []
    _refuse_clipped(watching, capture, heard, remarks)
    missed: Quantity = not_measurable(
        "", "whether a key went down without a note shows with a key channel only"
    )
    downs: Real = np.zeros(0)
    if watching.key is not None:
        missed, downs = _from_key(watching.key, heard, remarks)
    else:
        remarks.append(
            "times are from the sound itself: the release begins where the envelope bends"
        )
    table = notes_table(heard, key_channel is not None)
    faults = _faults(capture, watching, table)
    if faults:
        remarks.append(faults)
    answers = answers_of(table, missed, keyed=downs.size > 0)
    remarks += remarks_of(table, heard)
    if key_channel is None:
        onsets = table["onset_s"].tolist()
        remarks += unanswered(capture, "envelope", onsets, ("up",), "a press")
    bounds = {}
    if not answers["thump"].measurable and len(table):
        step = Term("where a thump begins to show", 3.0, "B")
        bounds["thump"] = combine(QUIET_THUMP_DB, "dB", [step])
    return EnvelopeResult(
        source=source_of(capture),
        settings={"key_channel": key_channel},
        **answers,
        notes=table,
        remarks=tuple(remarks),
        traces=tuple(Trace(n.time_s, n.gain, n.floor) for n in heard),
        key_channel=key_channel,
        bounds=bounds,
    )


def _refuse_clipped(
    watching: _Watching, capture: Capture, heard: list[HeardNote], remarks: list[str]
) -> None:
    """Leave out the numbers of notes whose tops are cut off."""
    problems = clipped_of(watching.tally)
    if not problems:
        return
    why = (
        f"clipped, {problems[0].how_much}: clipping makes an attack look shorter; lower the gain "
        "and record again"
    )
    remarks.append(f"the capture is {why}")
    for note in heard:
        note.numbers.none(tuple(n for n in EVERY if n != "onset_s"), why)
        note.numbers.flags["thump_db"] = math.nan
    del capture


def _from_key(key: KeyWatch, heard: list[HeardNote], remarks: list[str]) -> tuple[Quantity, Real]:
    """Take onset and release from the key; count keys without a note."""
    at, sign, kind = key.edges()
    if kind == "gate" and at.size:
        downs, ups = at[sign == sign[0]], at[sign != sign[0]]
    else:
        downs = ups = at
    used = set()
    for note in heard:
        values, flags = note.numbers.values, note.numbers.flags
        onset = values["onset_s"][0]
        reach = KEY_BEFORE_S
        down = nearest_before(downs, onset, reach, KEY_AFTER_S)
        flags["key_down_s"], flags["key_up_s"] = down, math.nan
        if math.isnan(down):
            continue
        used.add(down)
        u_edge = 1e-4
        late = onset - down
        values["onset_s"] = (down, u_edge)
        peak, u_peak = values["onset_to_peak_s"]
        values["onset_to_peak_s"] = (peak + late, math.hypot(u_peak, u_edge))
        off = values["gate_off_s"][0]
        later = ups[ups > down + 1e-3]
        up = (
            nearest_before(later, off, KEY_BEFORE_S, KEY_AFTER_S)
            if math.isfinite(off)
            else (float(later[0]) if kind == "gate" and later.size else math.nan)
        )
        flags["key_up_s"] = up
        if math.isfinite(up) and math.isfinite(off):
            values["gate_off_s"] = (up, u_edge)
            for name in ("release_20_s", "release_40_s", "release_s"):
                value, u = values[name]
                values[name] = (value + off - up, math.hypot(u, u_edge))
    remarks.append(
        f"times are from the key: {downs.size if kind == 'gate' else at.size} edges of a {kind}"
    )
    if kind == "microphone":
        return (
            not_measurable("", "a key microphone hears keys go down and up alike: use the gate"),
            downs,
        )
    count = int(downs.size - len(used))
    return combine(count, "", [Term("edges and notes taken for others", COUNT_U, "B")]), downs


def _faults(capture: Capture, watching: _Watching, table: pd.DataFrame) -> str:
    """Say what the recorder did while notes sounded."""
    if table.empty or not np.isfinite(table["onset_s"]).any():
        return ""
    begin = float(table["onset_s"].min())
    end = float(table["gate_off_s"].max())
    end = end if math.isfinite(end) else capture.duration_s
    found = faults_seen(capture, watching.capture.watch, begin, end)
    if found.empty:
        return ""
    told = zip(found["kind"][:4], found["time_s"].to_numpy(float), strict=False)
    at = ", ".join(f"{kind} at {spoken_place(time_s)}" for kind, time_s in told)
    return f"{len(found)} fault(s) of the recorder during the notes, not taken out: {at}"
