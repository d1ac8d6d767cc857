"""Where a fit of two tones starts from: a search over both pitches in the low bands.

Every band is transformed once. For a pair of pitches the power that the two lines explain in each
band then follows from two values of its transform and the overlap of the lines, so that thousands
of pairs are tried at little cost. Tones whose fundamentals are not resolved are resolved in higher
bands, where they are further apart; tones whose high bands would be ambiguous are found in the
low ones.
"""

from __future__ import annotations

import numpy as np
from scipy import fft

from sigkit.arrays import Complex, Real
from sigkit.tracks.two_tones.track import FARTHEST, Tones, fit_tones, lines_of, refine

WIDEST = 0.035
"""Largest relative distance of a tone from the grid: 60 cents."""
CELLS = 4.0
"""How far about the strongest pitch a close pair is looked for, in cells of resolution."""
PER_CELL = 4
PEAKS = 8
MOST_LOW = 16
HARDLY = 0.5
"""Share of what a single tone leaves that a pair must get below at once to be followed up."""
FEW_TURNS = 4
KEPT = 3
"""Pairs that are followed up."""


def find_one(bands: Complex, *, most: int) -> Tones:
    """Fit a single tone."""
    used = _low(bands, 8)
    offsets, score = _comb(used, (1,), hann=True)
    start = offsets[int(np.argmax(score))]
    return fit_tones(bands, (1,), _terms(np.array([start]), bands), first=4, most=most)


def find_pair(
    bands: Complex, steps: tuple[int, ...], *, most: int, than: Tones | None = None
) -> Tones | None:
    """Fit two tones from the best of several starts.

    None where nothing can be fitted, or where the low bands show already that the pair is hardly
    better ``than`` a single tone.
    """
    without = ~lines_of(steps, min(bands.shape[0], MOST_LOW)).any(axis=0)
    power = np.mean(np.abs(bands[: without.size]) ** 2, axis=1)
    if float(power[without].sum()) > HARDLY * float(power.sum()):
        return None
    tried: list[Tones] = []
    for count in (4, 8, 16):
        low = _low(bands, count * max(steps))
        for pair in _best_pairs(low, steps):
            fit = refine(low, steps, _terms(pair, bands), turns=FEW_TURNS)
            if np.isfinite(fit.terms).all() and not _hardly_better(fit, than):
                tried.append(fit)
    if not tried:
        return None
    # Compared on the bands that all of them use.
    least = min(fit.bands for fit in tried)
    best = min(tried, key=lambda fit: float(np.sum(np.log(np.maximum(fit.left[:least], 1e-300)))))
    return fit_tones(bands, steps, best.terms, first=best.bands, most=most)


def _hardly_better(fit: Tones, than: Tones | None) -> bool:
    if than is None:
        return False
    least = min(fit.bands, than.bands)
    return float(fit.left[:least].sum()) > HARDLY * float(than.left[:least].sum())


def _low(bands: Complex, count: int) -> Complex:
    return bands[: min(bands.shape[0], count)]


def _terms(offsets: Real, bands: Complex) -> Real:
    start: Real = (offsets * np.pi * (bands.shape[1] - 1))[:, None]
    return start


def _comb(bands: Complex, steps: tuple[int, ...], *, hann: bool) -> tuple[Real, Real]:
    """Share of each band's power at b times an offset, summed over the bands, and the offsets."""
    count, periods = bands.shape
    lines = lines_of(steps, count).any(axis=0)
    size, spectra = _spectra(bands, hann=hann)
    power = (spectra.real**2 + spectra.imag**2) / _total(bands)[:, None]
    reach = min(WIDEST, 2 * FARTHEST / count)
    step = 1 / (PER_CELL * count * periods)
    offsets = np.arange(-reach, reach + step / 2, step)
    order = np.arange(1, count + 1)[:, None]
    at = np.rint(order * offsets * size).astype(np.intp) % size
    score = np.take_along_axis(power, at, axis=1)[lines].sum(axis=0)
    return offsets, score


def _total(bands: Complex) -> Real:
    """Energy of each band, and a little of the strongest: bands of noise or hum don't count."""
    own = np.sum(np.abs(bands) ** 2, axis=1)
    total: Real = own + 1e-3 * float(own.max()) + 1e-300
    return total


def _spectra(bands: Complex, *, hann: bool) -> tuple[int, Complex]:
    periods = bands.shape[1]
    size = fft.next_fast_len(periods * 8)
    shaped = bands * np.hanning(periods + 2)[1:-1] if hann else bands
    spectra: Complex = fft.fft(shaped, size, axis=1)
    return size, spectra


def _best_pairs(bands: Complex, steps: tuple[int, ...]) -> list[Real]:
    """Best pairs of offsets by what they leave of the bands, far enough from one another."""
    count, periods = bands.shape
    offsets, score = _comb(bands, steps, hann=True)
    inner = (score[1:-1] >= score[:-2]) & (score[1:-1] >= score[2:])
    peaks = np.flatnonzero(inner) + 1
    peaks = peaks[np.argsort(-score[peaks])][:PEAKS]
    top = offsets[int(np.argmax(score))]
    cell = 1 / (count * periods)
    near = top + np.arange(-CELLS, CELLS + 1e-9, 0.5) * cell
    chosen = np.concatenate([offsets[peaks], near])
    first, second = np.meshgrid(chosen, chosen, indexing="ij")
    # In a unison the tones can change places; elsewhere they can't.
    apart = second - first > 0.2 * cell if steps[0] == steps[1] else first != second
    left = _left_by(bands, steps, first[apart], second[apart])
    order = np.argsort(left)
    kept: list[Real] = []
    for index in order:
        pair = np.array([first[apart][index], second[apart][index]])
        if all(np.max(np.abs(pair - other)) > cell for other in kept):
            kept.append(pair)
        if len(kept) == KEPT:
            break
    return kept


def _left_by(bands: Complex, steps: tuple[int, ...], first: Real, second: Real) -> Real:
    """Sum over the bands of the logarithm of the share that pairs of lines leave unexplained."""
    count, periods = bands.shape
    size, spectra = _spectra(bands, hann=False)
    total = _total(bands)
    lines = lines_of(steps, count)
    sum_of_logs = np.zeros(first.size)
    for b in range(1, count + 1):
        one, two = (
            _value(spectra[b - 1], size, b * offset, periods) * line
            for offset, line in zip((first, second), lines[:, b - 1], strict=True)
        )
        turn = b * (second - first)
        overlap = np.sinc(turn * periods) / np.sinc(turn) if lines[:, b - 1].all() else 0.0
        det = np.maximum(1 - np.abs(overlap) ** 2, 1e-9)
        explained = np.abs(one) ** 2 + np.abs(two) ** 2 - 2 * overlap * (one.conj() * two).real
        share = explained / det / periods / float(total[b - 1])
        if lines[:, b - 1].any():
            sum_of_logs += np.log(np.maximum(1 - share, 1e-8))
    return sum_of_logs


def _value(spectrum: Complex, size: int, cycles: Real, periods: int) -> Complex:
    """Transform at any frequency, turned so that phases count from the middle of the window."""
    at = cycles * size
    below = np.floor(at).astype(np.intp)
    part = at - below
    middle = (periods - 1) / 2
    ends = []
    for index in (below, below + 1):
        centred = np.exp(2j * np.pi * index / size * middle)
        ends.append(spectrum[index % size] * centred)
    value: Complex = ends[0] * (1 - part) + ends[1] * part
    return value
