"""What is counted while a capture goes by: levels, offset, flat tops; and what that says."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sigkit.captures.clipping import FIRST_TIMES, FlatTops
from sigkit.captures.problem import ALL_TESTS, LEVEL_TESTS, Problem
from sigkit.captures.remarks import spoken_places, spoken_span

if TYPE_CHECKING:
    from sigkit.captures.wav import Capture

SHORTEST_S = 1.0
SILENT_DBFS = -90.0
FAR_TOO_LOW_DBFS = -70.0
LOW_DBFS = -50.0
FEWEST_STEPS = 16
STEP_SAMPLES = 16384
DC_LIMIT = 0.005
DC_SHARE = 0.03
EMPTY_DBFS = -80.0
FULL_SCALE = 0.9999
COARSE = {"PCM_U8": 127 / 128, "PCM_S8": 127 / 128, "ULAW": 32124 / 32768, "ALAW": 32256 / 32768}
"""Highest sample of the formats with few codes, full scale = 1."""
STEP = {"PCM_U8": 2.0**-7, "PCM_S8": 2.0**-7, "PCM_16": 2.0**-15, "PCM_24": 2.0**-23}
STEP |= {"ULAW": 2.0**-5, "ALAW": 2.0**-5}
LOSSY: tuple[str, ...] = ("IMA_ADPCM", "MS_ADPCM", "GSM610", "G721_32", "G723_24", "G723_40")
LOSSY += ("NMS_ADPCM_16", "NMS_ADPCM_24", "NMS_ADPCM_32", "VOX_ADPCM")


class Tally:
    """What is counted while a capture goes by once."""

    def __init__(self, capture: Capture) -> None:
        self.capture = capture
        self.step_floor = STEP.get(capture.subtype, 2.0**-23)
        self.tops, self.bottoms = FlatTops(1, self.step_floor), FlatTops(-1, self.step_floor)
        self.step = math.inf
        self.highest, self.lowest = -math.inf, math.inf
        self.loudest = 0.0
        self.dc: list[float] = []
        self.peaks = np.zeros(capture.channels)

    def add(self, first: int, frames: NDArray[np.float64]) -> None:
        """Count one block of all channels."""
        x = np.ascontiguousarray(frames[:, self.capture.channel])
        top, bottom = float(x.max()), float(x.min())
        self.highest, self.lowest = max(self.highest, top), min(self.lowest, bottom)
        if self.capture.channels > 1:
            swings = [float(np.ptp(frames[:, i])) for i in range(self.capture.channels)]
            self.peaks = np.maximum(self.peaks, np.array(swings) / 2)
        piece = min(len(x), max(1, round(0.1 * self.capture.rate)))
        power = x[: len(x) // piece * piece].reshape(-1, piece).var(axis=1)
        self.loudest = max(self.loudest, float(power.max()))
        mean, middle = float(x.mean()), (top + bottom) / 2
        self.dc.append(math.copysign(min(abs(mean), abs(middle)), mean) if mean * middle > 0 else 0)
        if self.step > self.step_floor:
            moves = np.abs(np.diff(x if math.isinf(self.step) else x[:STEP_SAMPLES]))
            moves = moves[moves > 0]
            if len(moves):
                self.step = max(self.step_floor, min(self.step, float(moves.min())))
        if math.isfinite(self.step):
            swing = self.highest - self.lowest
            self.tops.add(x, first, self.step, swing)
            self.bottoms.add(x, first, self.step, swing)

    @property
    def level_dbfs(self) -> float:
        """Level of the loudest 0.1 s without its mean; a full-scale sine reads 0 (AES17)."""
        return 10 * math.log10(2 * self.loudest) if self.loudest > 0 else -math.inf


def _place(capture: Capture) -> str:
    return f"channel {capture.channel}" if capture.channels > 1 else "whole capture"


def level_of(tally: Tally) -> list[Problem]:
    """Silence, and a level that leaves too little above noise and rounding."""
    capture, level, step = tally.capture, tally.level_dbfs, tally.step_floor
    where = _place(capture)
    full = [i for i, peak in enumerate(tally.peaks) if peak > 10 ** (FAR_TOO_LOW_DBFS / 20)]
    if level < SILENT_DBFS:
        how = "every sample is the same" if tally.highest == tally.lowest else f"{level:.0f} dBFS"
        remedy = "Check the cable, the input and its gain, then record again."
        if full and capture.channel not in full:
            remedy = f"The sound is in channel {full[0]}: open the file with channel={full[0]}."
        harms = tuple(t for t in ALL_TESTS if t != "noise") if math.isfinite(level) else ALL_TESTS
        return [Problem("silent", where, how, harms, remedy, "record again")]
    quiet = tuple(test for test in ALL_TESTS if test != "noise")
    few = capture.subtype not in COARSE and tally.highest - tally.lowest < 2 * FEWEST_STEPS * step
    how = f"{level:.0f} dBFS where it is loudest"
    if level < FAR_TOO_LOW_DBFS or few:
        remedy = "Raise the gain until the peaks read about -12 dBFS, and record again."
        return [Problem("level far too low", where, how, quiet, remedy, "record again")]
    if level < LOW_DBFS:
        remedy = "Raise the gain next time: the noise floor of the recorder counts."
        return [Problem("level low", where, how, quiet, remedy, "remark")]
    return []


def clipped_of(tally: Tally) -> list[Problem]:
    """Flat tops, at full scale and below."""
    capture = tally.capture
    coarse_top = COARSE.get(capture.subtype, FULL_SCALE)
    starts, samples, edge, full = [], 0, 0.0, False
    for side in (tally.tops, tally.bottoms):
        at_full_scale = side.level >= min(coarse_top, FULL_SCALE)
        if not at_full_scale and capture.subtype in COARSE:
            continue
        at, count = side.found(at_full_scale)
        if count:
            starts.append(at)
            samples += count
            edge = max(edge, side.level)
            full |= at_full_scale
    if not starts:
        return []
    at = np.sort(np.concatenate(starts))
    seconds = at / capture.rate
    if len(at) > FIRST_TIMES:
        times = f"from {spoken_span(seconds[0], seconds[-1], 2)}"
    else:
        times = f"at {spoken_places(seconds)}"
    share = 100 * samples / capture.frames
    at_level = "full scale" if full else f"{_level_below_full(edge)}, below full scale"
    how = f"{share:.2g} % of samples cut off at {at_level}"
    where = f"{len(at)} flat {'top' if len(at) == 1 else 'tops'}, {times}"
    remedy = "Lower the gain and record again; pitch tests can still use this one."
    if not full:
        remedy = "Lower the gain before the stage that limits; pitch tests can use this one."
    return [Problem("clipped", where, how, LEVEL_TESTS, remedy, "record again")]


def _level_below_full(edge: float) -> str:
    """Return a level just below full scale with as many digits as keep it off 0 dBFS."""
    level = 20 * math.log10(edge)
    return f"{level:.{1 if level <= -0.05 else 2 if level <= -0.005 else 4}f} dBFS"


def clipped_in(capture: Capture) -> list[Problem]:
    """Return the flat tops of a capture, which is read once for them."""
    tally = Tally(capture)
    with np.errstate(over="ignore", invalid="ignore"):
        for first, frames in capture.frame_blocks(1.0):
            tally.add(first, frames)
    return clipped_of(tally)


def above_of(tally: Tally) -> list[Problem]:
    """Find samples beyond full scale, which only float files can hold."""
    peak = max(tally.highest, -tally.lowest)
    if peak <= 1 / FULL_SCALE:
        return []
    how = f"peak of {peak:.4g}, where full scale is 1 ({20 * math.log10(peak):+.2g} dB)"
    remedy = "Find what changed the gain or rescaled it: its levels in dBFS may be off."
    return [Problem("above full scale", _place(tally.capture), how, LEVEL_TESTS, remedy, "remark")]


def dc_of(tally: Tally) -> list[Problem]:
    """Find a mean that is not a property of the waveform."""
    offset = float(np.median(tally.dc))
    half_swing = (tally.highest - tally.lowest) / 2
    if abs(offset) < max(DC_LIMIT, DC_SHARE * half_swing, 2 * tally.step_floor):
        return []
    how = f"at least {100 * offset:+.1f} % of full scale"
    remedy = "Use an input with a coupling capacitor; it costs headroom, not pitch."
    harms = ("slider", "envelope", "waveform")
    return [Problem("DC offset", _place(tally.capture), how, harms, remedy, "remark")]


def file_of(capture: Capture) -> list[Problem]:
    """Length, header and codec."""
    found = []
    if capture.duration_s < SHORTEST_S:
        how = f"{capture.duration_s:.3g} s, at least {SHORTEST_S:g} s is needed"
        remedy = "Record again, longer."
        found.append(Problem("too short", "whole capture", how, ALL_TESTS, remedy, "record again"))
    if capture.salvaged:
        how = f"{capture.duration_s:.1f} s recovered"
        remedy = "Check that nothing you need is missing; keep the file as it is."
        found.append(Problem("header repaired", "end of the file", how, (), remedy, "remark"))
    if capture.subtype in LOSSY:
        remedy = "Record as PCM, 24 bit: what was left out cannot come back."
        found.append(
            Problem(
                "lossy codec", "whole capture", capture.subtype, LEVEL_TESTS, remedy, "record again"
            )
        )
    return found


def empty_of(tally: Tally) -> list[Problem]:
    """Other channels that hold nothing: harmless, but worth knowing."""
    capture = tally.capture
    limit = 10 ** (EMPTY_DBFS / 20)
    empty = [i for i, peak in enumerate(tally.peaks) if peak < limit and i != capture.channel]
    if not empty or tally.level_dbfs < FAR_TOO_LOW_DBFS:
        return []
    which = ", ".join(map(str, empty[:8]))
    how = f"nothing above {EMPTY_DBFS:.0f} dBFS"
    remedy = f"None needed: channel {capture.channel} holds the sound."
    name = "other channel empty" if capture.channels == 2 else "other channels empty"
    return [Problem(name, f"channel {which} (counted from 0)", how, (), remedy, "remark")]
