"""Mains hum in a capture, and mains at a frequency that only a wrong sample rate explains."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft, signal

from sigkit.captures.problem import LEVEL_TESTS, PITCH_TESTS, Problem
from sigkit.captures.survey import Survey, to_dbfs

Real = NDArray[np.float64]

MAINS_HZ = (50.0, 60.0)
WANDER = 0.006
RATIOS = {48000 / 44100: (44100, 48000), 44100 / 48000: (48000, 44100)}
"""What a wrong rate in the header makes of a frequency: rate in the header by true rate."""
WRONG_BY = 0.0025
ORDERS, LOW_ORDERS = 8, 3
SEGMENT_S = 4.0
LEAST_QUIET_S = 0.9
QUIET_DB = 25.0
LIMIT_DB = -40.0
ITSELF_DB = -10.0
"""A louder line is the sound itself: a low note may lie at 50 or 60 Hz."""
FAR_OVER_DB = -20.0
LINE_DB, LONE_LINE_DB = 12.0, 22.0
SKIRT = 6.0
HARMED = tuple(test for test in LEVEL_TESTS if test != "noise")


@dataclass(frozen=True)
class Lines:
    """Power spectrum of a stretch, in dB re a full-scale sine."""

    hz_step: float
    resolution_hz: float
    power: Real

    def level_dbfs(self, hz: float) -> tuple[float, float]:
        """Return the level of a line and how far it stands above what is beside it."""
        at = round(hz / self.hz_step)
        half = max(1, round(0.35 * self.resolution_hz / self.hz_step))
        wide = round(max(12.0, 6 * self.resolution_hz) / self.hz_step)
        near = self.power[max(0, at - half) : at + half + 1]
        if not near.size or at + wide >= self.power.size:
            return -200.0, 0.0
        gap = round(2.2 * self.resolution_hz / self.hz_step)
        beside = np.concatenate(
            [self.power[max(1, at - wide) : max(1, at - gap)], self.power[at + gap : at + wide]]
        )
        top, middle = float(near.max()), float(np.median(beside)) if beside.size else 1e-20
        null = round(0.6 * self.resolution_hz / self.hz_step)
        skirts = self.power[[max(0, at - null), at + null]]
        if skirts.max() > top / SKIRT:  # it belongs to a stronger line beside
            return -200.0, 0.0
        return 10 * math.log10(top + 1e-20), 10 * math.log10((top + 1e-20) / (middle + 1e-20))


def mains_faults(survey: Survey, test: str | None) -> list[Problem]:
    """Return hum above the guide limit, or a hum that asks whether the sample rate is right."""
    heard = len(survey.power) >= 6 and len(survey.slow) > 0 and survey.loud(10.0).any()
    if not heard or survey.slow_rate < 400:
        return []
    quiet = _quiet_lines(survey, test)
    found: list[Problem] = []
    if quiet is not None:
        found = _wrong_rate(quiet, survey)
    if found or test == "noise":
        return found
    if quiet is not None:
        return _hum(quiet, survey, _note_hz(survey))  # what is left of a note is none of it
    whole = _under_tone(survey)
    if whole is not None:
        return _hum(whole, survey, _note_hz(survey))
    return _hum(_spectrum(survey.slow, survey.slow_rate), survey, 0.0, odd=True)


def _spectrum(y: Real, rate: float) -> Lines:
    size = min(len(y), round(SEGMENT_S * rate))
    window = signal.windows.hann(size, sym=False)
    padded = fft.next_fast_len(4 * size, real=True)
    starts = np.linspace(0, len(y) - size, max(1, min(24, 2 * len(y) // size - 1))).astype(int)
    power = np.zeros(padded // 2 + 1)
    for start in np.unique(starts).tolist():
        piece = y[start : start + size]
        line = fft.rfft((piece - piece.mean()) * window, padded)
        power += line.real**2 + line.imag**2
    power *= 4 / np.unique(starts).size / window.sum() ** 2
    return Lines(rate / padded, 4 * rate / size, power)


def _quiet_lines(survey: Survey, test: str | None) -> Lines | None:
    """Return the spectrum of the longest quiet stretch, or of an idle capture as a whole."""
    level = survey.level_dbfs
    quiet = level < survey.top_dbfs - QUIET_DB
    if test == "noise" and not quiet.any():
        quiet[:] = True
    edges = np.flatnonzero(np.diff(np.concatenate([[False], quiet, [False]]).astype(int)))
    runs = edges.reshape(-1, 2)
    if not len(runs):
        return None
    begin, stop = runs[np.argmax(runs[:, 1] - runs[:, 0])]
    if not quiet.all():
        begin, stop = begin + (begin > 0), stop - (stop < len(level))
    if (stop - begin) * survey.frame_s < LEAST_QUIET_S:
        return None
    # What is left of a note falls; only the lower half of the stretch by level is quiet.
    while stop - begin > LEAST_QUIET_S / survey.frame_s + 2 and level[begin] > level[stop - 1] + 6:
        begin += 1
    scale = survey.frame * survey.slow_rate / survey.rate
    piece = survey.slow[round(begin * scale) : round(stop * scale)]
    if len(piece) < 0.8 * LEAST_QUIET_S * survey.slow_rate:
        return None
    return _spectrum(piece, survey.slow_rate)


def _under_tone(survey: Survey) -> Lines | None:
    """Return the spectrum of a steady tone as a whole, None where the tone moves."""
    cents = 1200 * np.log2(np.maximum(survey.pitch_hz, 1.0))
    if len(cents) < 20 or np.ptp(np.percentile(cents, [10, 90])) > 20:
        return None
    return _spectrum(survey.slow, survey.slow_rate)


def _note_hz(survey: Survey) -> float:
    loud = survey.loud(10.0)
    pitch, line = (float(np.median(x[loud])) for x in (survey.pitch_hz, survey.line_hz))
    return line / max(1, round(line / max(pitch, 1.0)))


def _family(
    lines: Lines, nominal_hz: float, wander: float, note_hz: float
) -> tuple[float, dict[int, float], int]:
    """Return the best fundamental near a nominal one, its lines' levels, and how many stand out."""
    best: tuple[float, dict[int, float], int] = (nominal_hz, {}, 0)
    score = -math.inf
    for hz in np.linspace(1 - wander, 1 + wander, 25) * nominal_hz:
        levels: dict[int, float] = {}
        strong, total, lone = 0, 0.0, 0.0
        for order in range(1, ORDERS + 1):
            at = order * hz
            apart = abs(at - note_hz * max(1, round(at / note_hz))) if note_hz else math.inf
            if apart < max(8.0, 1.5 * lines.resolution_hz, 0.01 * at):
                continue
            level, contrast = lines.level_dbfs(at)
            total += min(contrast, 40.0) if contrast > 6 else 0.0
            if contrast > LINE_DB:
                levels[order] = level
                strong += 1
                lone = max(lone, contrast if order <= 3 else 0.0)
        if total > score:
            score = total
            count = strong if strong >= 2 else (2 if lone > LONE_LINE_DB else 0)
            best = (float(hz), levels, count)
    return best


def _sum(levels: dict[int, float], highest: int) -> float:
    """Return the power of a family's lines up to an order."""
    return sum(10 ** (level / 10) for order, level in levels.items() if order <= highest)


def _hum(lines: Lines, survey: Survey, note_hz: float, odd: bool = False) -> list[Problem]:
    families = [_family(lines, nominal, WANDER, note_hz) for nominal in MAINS_HZ]
    hz, levels, count = max(families, key=lambda f: _sum(f[1], ORDERS))
    if odd and not (1 in levels and {3, 5} & set(levels)):
        return []  # notes have lines at multiples of 100 Hz too
    if count < 2 or _sum(levels, LOW_ORDERS) < 0.3 * _sum(levels, ORDERS):
        return []
    between = [lines.level_dbfs(part * hz) for part in (0.5, 1.5)]
    if any(contrast > LINE_DB and level > max(levels.values()) - 12 for level, contrast in between):
        return []  # a family of half that frequency is none of the mains
    hum_dbfs = 10 * math.log10(_sum(levels, ORDERS))
    loud = survey.loud(10.0)
    tone_dbfs = float(np.median(to_dbfs(survey.power[loud, survey.channel])))
    below_db = hum_dbfs - tone_dbfs
    if not LIMIT_DB <= below_db <= ITSELF_DB:
        return []
    how = f"{below_db:+.0f} dB re the loudest sound, mains of {50 if hz < 55 else 60} Hz"
    remedy = "Look for a ground loop, a cable beside a transformer; balanced cables help."
    severity = "record again" if below_db > FAR_OVER_DB else "remark"
    return [Problem("hum", "whole capture", how, HARMED, remedy, severity)]  # type: ignore[arg-type]


def _wrong_rate(lines: Lines, survey: Survey) -> list[Problem]:
    """Ask about the rate where the mains family sits where 44.1 for 48 kHz would put it."""
    if any(_family(lines, hz, WANDER, 0.0)[2] >= 2 for hz in MAINS_HZ):
        return []
    for nominal in MAINS_HZ:
        for ratio, (true, header) in RATIOS.items():
            hz, _, count = _family(lines, nominal * ratio, WRONG_BY, 0.0)
            if count >= 3:
                said = f"mains lines at multiples of {hz:.2f} Hz, as if {nominal:.0f} Hz"
                how = f"{said} had been read at {header / true:.4f} times its rate"
                remedy = (
                    f"Is the rate in the header right? {round(survey.rate / ratio)} Hz would fit."
                )
                return [Problem("sample rate", "header", how, PITCH_TESTS, remedy, "remark")]
    return []
