"""What a recorder or its cable to the computer does wrong: samples lost, zeroed or sent twice."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sigkit.captures.problem import ALL_TESTS, Problem
from sigkit.captures.remarks import spoken_places
from sigkit.captures.survey import Survey

if TYPE_CHECKING:
    from sigkit.captures.wav import Capture

Real = NDArray[np.float64]

LONGEST_HOLE_S = 0.25
ABRUPT = 0.1
"""Samples beside a hole, as a share of the level around it."""
LEAST_STEPS = 24
JUMP_RAD = 0.3
JUMP_SCATTER = 8.0
SAME_LEVEL_DB = 1.5
REACH = 5
MOST_JUMPS = 100
SIDE_S = 0.06
FIRST = 5
USE_ANOTHER = "Close other programs, use a larger buffer and another cable; record again."


def recorder_faults(capture: Capture, survey: Survey) -> list[Problem]:
    """Return holes of zeros, buffers sent twice and samples lost from a steady tone."""
    return [*_holes(survey), *_twice(survey), *_lost(capture, survey)]


def _times(frames: list[int], rate: int) -> str:
    said = spoken_places((at / rate for at in frames[:FIRST]), 3)
    return f"at {said}{' and later' if len(frames) > FIRST else ''}"


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


def _holes(survey: Survey) -> list[Problem]:
    """Find runs of zeros in the midst of sound.

    The level is the same on both sides, the edges are abrupt, and a capture that is digital
    silence between its notes has longer runs, with sound that ends by itself.
    """
    rate, found, short = survey.rate, [], 0
    rms = np.sqrt(survey.power[:, survey.channel])
    last = len(rms) - 1
    for silence in survey.silences:
        if silence.samples > LONGEST_HOLE_S * rate or last < 1:
            continue
        short += 1
        before = rms[min(max(silence.first // survey.frame - 1, 0), last)]
        after = rms[min((silence.first + silence.samples) // survey.frame + 1, last)]
        alike = min(before, after) > 0.5 * max(before, after)
        abrupt = silence.beside > max(ABRUPT * max(before, after), LEAST_STEPS * survey.step)
        if alike and abrupt:
            found.append(silence)
    often = len(found) > 3 + len(rms) * survey.frame_s or len(found) < short / 5
    if not found or often:  # a wave that rests at zero does so in every period
        return []
    longest = max(silence.samples for silence in found)
    every = survey.power.shape[1] > 1 and all(
        len(s.channels) == survey.power.shape[1] for s in found
    )
    where = _times([s.first for s in found], rate) + (", on every channel" if every else "")
    how = f"{_count(len(found), 'hole')} of zeros, the longest {longest} samples"
    return [Problem("dropout", where, how, ALL_TESTS, USE_ANOTHER, "record again")]


def _twice(survey: Survey) -> list[Problem]:
    """Say which buffers were sent twice."""
    found = survey.repeats
    if not found:
        return []
    sizes = sorted({repeat.frames for repeat in found})
    size = f"{sizes[0]}" if len(sizes) == 1 else f"{sizes[0]} to {sizes[-1]}"
    how = f"{_count(len(found), 'stretch' if len(found) == 1 else 'stretche')} of {size} samples"
    where = _times([repeat.first for repeat in found], survey.rate)
    return [
        Problem(
            "samples repeated", where, f"{how} sent twice", ALL_TESTS, USE_ANOTHER, "record again"
        )
    ]


def _lost(capture: Capture, survey: Survey) -> list[Problem]:
    """Find jumps of phase from one sample to the next in a tone that keeps pitch and level.

    An oscillator whose pitch steps keeps its phase; a recorder that loses samples does not.
    """
    jumps = _jumps(survey)
    if not jumps or len(jumps) > MOST_JUMPS:
        return []
    found = [at for at in (_broken_at(capture, survey, *jump) for jump in jumps) if at >= 0]
    if not found:
        return []
    how = f"{_count(len(found), 'place')} where the tone jumps within a sample or two"
    where = _times(found, survey.rate)
    return [Problem("samples lost", where, how, ALL_TESTS, USE_ANOTHER, "record again")]


def _jumps(survey: Survey) -> list[tuple[int, float]]:
    """Return frames in which the phase of the strongest line jumps and its pitch does not.

    With each, the line's frequency in Hz by its phase on both sides. The frames about the jump
    itself have no frequency of their own.
    """
    hz, level = survey.line_hz, survey.level_dbfs
    if len(hz) < 2 * REACH + 4:
        return []
    usual = float(np.median(hz[survey.loud(12.0)])) if survey.loud(12.0).any() else 0.0
    step = np.diff(survey.phase_rad) - 2 * np.pi * usual * survey.frame_s
    step = np.angle(np.exp(1j * step))
    near = np.abs(hz - usual) < 0.6 * survey.rate / survey.frame
    about = np.abs(hz - usual) < 2.0 * survey.rate / survey.frame
    found: list[tuple[int, float]] = []
    for k in range(REACH + 1, len(step) - REACH - 1):
        inside = slice(k - REACH - 1, k + REACH + 2)
        sure = near[inside].copy()
        sure[REACH : REACH + 3] = about[k - 1 : k + 2]
        if not sure.all() or np.ptp(level[inside]) > SAME_LEVEL_DB:
            continue
        before, after = step[k - REACH - 1 : k - 1], step[k + 1 : k + REACH + 1]
        middle = float(np.angle(np.exp(1j * before).mean()))
        later = float(np.angle(np.exp(1j * after).mean()))
        beside = np.concatenate([before - middle, after - later])
        scatter = float(np.sqrt(np.mean(np.angle(np.exp(1j * beside)) ** 2)))
        two = float(np.angle(np.exp(1j * (step[k - 1] + step[k] - middle - later))))
        drift = abs(float(np.angle(np.exp(1j * (later - middle)))))
        if abs(two) > max(JUMP_RAD, JUMP_SCATTER * scatter) and drift < abs(two) / 3:
            if found and k - found[-1][0] <= 2:
                continue
            mean = float(np.angle(np.exp(1j * before).sum() + np.exp(1j * after).sum()))
            found.append((k, usual + mean / (2 * np.pi * survey.frame_s)))
    return found


def _broken_at(capture: Capture, survey: Survey, frame: int, line_hz: float) -> int:
    """Return the sample at which a tone's wave breaks off and goes on elsewhere, or -1.

    Harmonics fitted to the sound on one side foretell it as far as the break; those of the other
    side from the break on. The two agree on one place.
    """
    rate = capture.rate
    begin = max(0, (frame - 2) * survey.frame)
    stop = min(capture.frames, (frame + 4) * survey.frame)
    x = capture.read(begin / rate, stop / rate)
    pitch = float(np.median(survey.pitch_hz[max(0, frame - REACH) : frame + REACH]))
    by_pitch = max(1, round(line_hz / pitch)) if pitch > 0 else 1
    for number in dict.fromkeys((1, 2, 3, by_pitch)):
        at = _break_in(x, line_hz / number, rate)
        if at >= 0:
            return begin + at
    return -1


def _break_in(x: Real, base_hz: float, rate: int) -> int:
    """Return the sample at which a wave of that pitch breaks off, seen from both sides, or -1."""
    side = min(max(round(SIDE_S * rate), round(3 * rate / base_hz)), len(x) // 3)
    if side < 3 * rate / base_hz:
        return -1
    size = max(4, round(0.002 * rate))
    left = _departs(x, base_hz, rate, side, size)
    right = _departs(x[::-1], base_hz, rate, side, size) if left >= 0 else -1
    if right < 0:
        return -1
    right = len(x) - 1 - right
    return (left + right) // 2 if abs(left - right) <= 2 * size else -1


def _departs(x: Real, base_hz: float, rate: int, side: int, size: int) -> int:
    """Return where the sound departs from the harmonics of its first part, -1 where it does not."""
    count = int(min(40, 0.45 * rate / base_hz, side // 6))
    t = np.arange(len(x)) / rate
    turns = 2 * np.pi * base_hz * np.outer(t, np.arange(1, count + 1))
    model = np.concatenate([np.cos(turns), np.sin(turns), np.ones((len(x), 1))], axis=1)
    at = 0
    while at + 2 * side < len(x):
        weights = np.linalg.lstsq(model[at : at + side], x[at : at + side], rcond=None)[0]
        rest = x[at : at + 2 * side] - model[at : at + 2 * side] @ weights
        own = float(np.sqrt(np.mean(rest[:side] ** 2)))
        blocks = np.sqrt(np.mean(rest[: 2 * side // size * size].reshape(-1, size) ** 2, axis=1))
        loud = float(np.sqrt(np.mean(x[at : at + side] ** 2)))
        if own > 0.2 * loud:
            return -1
        off = np.flatnonzero(blocks > max(6 * own, 0.05 * loud))
        off = off[off * size >= side - size]
        if len(off):
            jump = blocks[off[0]]
            before = blocks[max(0, off[0] - 2)]
            return int(at + off[0] * size) if jump > 3 * before else -1
        at += side // 2
    return -1
