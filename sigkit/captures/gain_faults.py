"""A gain that moves, tops that are rounded, peaks that lie between the samples."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from sigkit.captures.problem import LEVEL_TESTS, Problem
from sigkit.captures.remarks import spoken_place
from sigkit.captures.survey import Survey, to_dbfs
from sigkit.captures.tally import COARSE

if TYPE_CHECKING:
    from sigkit.captures.wav import Capture

Real = NDArray[np.float64]

DROP_DB = 10.0
FAR_DB = 12.0
LEAST_QUIET = 7
RISE_DB = 5.0
ALIKE_DB = 2.5
ORDERLY = 0.85
ROUNDED_DB = 0.8
SURE = 2.0
SLIGHTLY = 0.25
STEPS = ((-32.0, -20.0), (-20.0, -13.0), (-12.0, -6.0), (-1.0, 9.0))
"""Levels re the loudest, in dB, at which the ratio of peak to rms is looked at."""
NEAR_FULL_SCALE = 0.966
OVER_DB = 0.1
CANDIDATES = 12
HALF = 64
OVERSAMPLING = 4
DRAWN = 1e-4


def gain_faults(survey: Survey, test: str | None) -> list[Problem]:
    """Return an automatic gain at work, and tops that get rounder as the level rises."""
    moved = test == "slider"  # somebody changes the level there, and of noise too
    return [*([] if moved else _pumping(survey)), *_rounded(survey)]


def _pumping(survey: Survey) -> list[Problem]:
    """Find noise that swells after every note: an automatic gain that opens up again.

    What an instrument leaves after a note falls, and a note that comes up slowly does so in its
    harmonics. A gain that opens up lifts the noise between all lines, in every band by the same.
    """
    level, found, most = survey.level_dbfs, [], 0.0
    n = len(level)
    k = 4
    while k < n - LEAST_QUIET:
        before = float(level[k - 4 : k].max())
        if before - level[k] < DROP_DB or level[k] - level[k + 1] > 3 or before < -60:
            k += 1
            continue
        stop = k + 1
        while stop < n and level[stop] < before - DROP_DB / 2 and level[stop] - level[stop - 1] < 6:
            stop += 1
        rise = _swell(survey.floors_db[k + 1 : stop - 1])
        far = stop - 2 <= k or before - level[stop - 2] > FAR_DB
        if rise >= RISE_DB and far and survey.contrast_db[k - 4 : k, 0].max() > 17.0:
            found.append(k)
            most = max(most, rise)
        k = max(stop, k + 1)
    if not found or (len(found) < 2 and most < 1.5 * RISE_DB):
        return []
    where = f"after {len(found)} notes" if len(found) > 1 else "after the note"
    where += f", first at {spoken_place(survey.at_s(found[0]), 1)}"
    how = f"the noise swells by up to {most:.0f} dB"
    remedy = "Switch off automatic gain, limiter and noise reduction; record again."
    return [Problem("gain pumping", where, how, LEVEL_TESTS, remedy, "record again")]


def _swell(floors_db: Real) -> float:
    """Return by how much the noise of a quiet stretch rises, evenly in all bands; else 0."""
    if len(floors_db) < LEAST_QUIET:
        return 0.0
    smooth = np.array([signal.medfilt(band, 3) for band in floors_db.T]).T[1:-1]
    whole = smooth.mean(axis=1)
    low = int(np.argmin(whole[: max(2, len(whole) // 2)]))
    if len(whole) - low < LEAST_QUIET - 3:
        return 0.0
    tail = max(2, (len(whole) - low) // 4)
    rises = np.median(smooth[-tail:], axis=0) - smooth[low : low + 2].mean(axis=0)
    part = whole[low:]
    steps = np.diff(part)
    order = float(np.corrcoef(np.argsort(np.argsort(part)), np.arange(len(part)))[0, 1])
    rise = float(np.median(rises))
    if np.ptp(rises) > 2 * ALIKE_DB or order < ORDERLY or steps.max() > 0.7 * rise:
        return 0.0
    return rise if rises.min() > 0.5 * RISE_DB else 0.0


def _rounded(survey: Survey) -> list[Problem]:
    """Find a tone whose peaks stay behind as it gets louder.

    A patch changes the shape of its wave with the level too, but over its whole range. Here the
    shape stays the same over all the lower levels and gives way at the top.
    """
    quarters = np.maximum(survey.parts[:, :, 0], 1e-20)
    level = to_dbfs(quarters.max(axis=1))
    even = np.ptp(10 * np.log10(quarters), axis=1) < 6.0
    use = survey.tonal() & even
    if use.sum() < 20:
        return []
    below = level - float(np.percentile(level[use], 99))
    crest = 20 * np.log10(np.maximum(survey.peak, 1e-10) / np.sqrt(quarters.max(axis=1)))
    groups = [crest[use & (below > low) & (below <= high)] for low, high in STEPS]
    if any(len(group) < 3 for group in groups):
        return []
    low, lower, upper, top = (float(np.median(group)) for group in groups)
    scatter = 1.48 * float(np.median(np.abs(groups[3] - top)))
    scatter += 1.48 * float(np.median(np.abs(groups[1] - lower)))
    drop = low - top
    alike = abs(low - lower) < max(SLIGHTLY * drop, 0.05)
    falls = lower - drop / 2 < upper < lower + 0.1 and top < upper - drop / 4
    if drop < max(ROUNDED_DB, SURE * scatter) or not alike or not falls:
        return []
    how = f"peaks {drop:.1f} dB lower for their level than in softer passages"
    where = f"where it is louder than {float(level[use].max()) - 12:.0f} dBFS"
    remedy = "A stage saturates, in the instrument or before the recorder: lower the gain there."
    return [Problem("soft clipping", where, how, LEVEL_TESTS, remedy, "remark")]


class Overs:
    """Peaks of the sound between its samples.

    Notes
    -----
    The sound is oversampled four times around its highest samples, as Annex 2 of Recommendation
    ITU-R BS.1770 does it everywhere. Where the sound reaches up to half its rate, as that of a
    calculated step does and that of a converter does not, nothing is said.
    """

    def __init__(self) -> None:
        self.highest = 0.0
        self.sample_peak = 0.0
        self.at = 0
        self.window = np.hanning(2 * HALF)

    def add(self, first: int, x: Real) -> None:
        """Look at one block of the chosen channel."""
        own = float(np.abs(x).max(initial=0.0))
        self.sample_peak = max(self.sample_peak, own)
        if own < NEAR_FULL_SCALE or len(x) < 4 * HALF:
            return
        middle = (9 * (x[1:-2] + x[2:-1]) - x[:-3] - x[3:]) / 16
        size = np.abs(middle)
        most = np.argpartition(size, -CANDIDATES)[-CANDIDATES:]
        for i in most.tolist():
            begin = min(max(0, i + 1 - HALF), len(x) - 2 * HALF)
            piece = x[begin : begin + 2 * HALF]
            lines = np.abs(np.fft.rfft((piece - piece.mean()) * self.window)) ** 2
            if lines[round(0.93 * len(lines)) :].sum() > DRAWN * lines.sum():
                continue
            fine = signal.resample_poly(piece, OVERSAMPLING, 1)
            here = (i + 1 - begin) * OVERSAMPLING
            near = np.abs(fine[max(0, here - 2 * OVERSAMPLING) : here + 3 * OVERSAMPLING])
            if near.size and near.max() > self.highest:
                self.highest, self.at = float(near.max()), first + i + 1


def overs_of(overs: Overs, capture: Capture) -> list[Problem]:
    """Say where the sound passes full scale between two samples that do not."""
    if capture.subtype in ("FLOAT", "DOUBLE", *COARSE) or overs.highest < 10 ** (OVER_DB / 20):
        return []
    how = f"{20 * math.log10(overs.highest):+.1f} dB above full scale between samples"
    where = f"highest at {overs.at / capture.rate:.3f} s"
    remedy = "Lower the gain: nothing is cut off yet, but a converter may already distort."
    return [Problem("inter-sample overs", where, how, LEVEL_TESTS, remedy, "remark")]
