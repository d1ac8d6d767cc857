"""The phase of a periodic tone, one value a period, from all its harmonics at once.

A stretch of sound that holds a whole number of periods is transformed once; the spectrum around
each harmonic is cut out by a raised-cosine band two fundamentals wide, whose zeros fall on the
neighbouring harmonics, and transformed back to one complex amplitude per harmonic and period. A
shift of the waveform in time turns harmonic k by k times the phase of the fundamental, so all
harmonics measure the same phase. They are combined with weights k^2 P_k / s_k^2 (power over noise),
which is the maximum-likelihood combination in stationary noise; the slope of that phase is the
pitch, with a variance at the Cramer-Rao bound of a harmonic signal [1]_.

References
----------
.. [1] D. Rife, R. Boorstyn, "Single-tone parameter estimation from discrete-time observations",
   IEEE Trans. Information Theory 20 (1974), 591-598.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import fft, ndimage

from sigkit.arrays import Complex, Real

EDGE = 4
"""Periods at either end of a stretch that the bands' responses reach over."""
LAG_0, LAG_1 = 0.75, 0.125
"""Autocorrelation of white noise behind the bands, folded to one value a period (its spectral
density at zero is 1): cos^4 + sin^4 = 3/4 + cos(2 pi f)/4."""
SECOND_DIFFERENCE = 6 * LAG_0 - 8 * LAG_1
"""Variance of x[m-1] - 2 x[m] + x[m+1] in that noise."""
MOST_DIFFERENCES = 256
"""Second differences used for the noise of a harmonic: its variance is known to 10 % then."""
LOW_HARMONICS = 12
FIRST_HARMONICS = 24
"""Harmonics of the first step, which only has to line up the others."""
IN_LINE_RAD = 0.05
"""Phase noise of the highest harmonic below which a step of the common phase leaves nothing to do:
its cube is lost."""
ASTRAY_RAD = 0.01
"""Phase a period, 3 cents, by which the strongest harmonic may depart from most of the low ones."""
SIGNIFICANT = 7.0
"""A harmonic counts where its mean power is this many times that of noise alone (1 in 1000)."""


@dataclass(frozen=True)
class PhasePath:
    """Phase of the fundamental against the reference pitch, once a period.

    Parameters
    ----------
    radians : ndarray, shape (n_periods,)
        Phase deviation from the reference.
    sd : ndarray, shape (n_periods,)
        Its standard deviation by noise and by harmonics out of step, per period, at low
        frequencies.
    noise_sd : ndarray, shape (n_periods,)
        The part of that by additive noise.
    share : ndarray, shape (n_periods,)
        Share of the sound's energy that the waveform of the whole stretch explains, 0 to 1.
    level : ndarray, shape (n_periods,)
        Amplitude of the tone against its mean over the stretch.
    periodicity : ndarray, shape (n_periods,)
        Correlation of each period with the next.
    power : ndarray, shape (n_harmonics,)
        Mean power of each harmonic, 0 where it is not significant.
    highest : int
        Highest harmonic that was used.
    """

    radians: Real
    sd: Real
    noise_sd: Real
    share: Real
    level: Real
    periodicity: Real
    power: Real
    highest: int


def demodulate(sound: Real, periods: int) -> Complex:
    """Return the complex amplitudes of all harmonics, shape (n_harmonics, periods).

    Parameters
    ----------
    sound : ndarray, shape (n,)
        Sound that holds ``periods`` periods as exactly as the pitch is known.
    periods : int
        Number of periods, at least 12.

    Returns
    -------
    ndarray of complex, shape (n_harmonics, periods)
        Row k - 1 is harmonic k; column m belongs to the instant ``m * n / periods`` samples.
        Harmonics up to 0.98 of half the sample rate.
    """
    n = sound.size
    spectrum = fft.rfft(sound)
    count = max(1, math.floor(0.49 * n / periods))
    needed = (count + 1) * periods
    if spectrum.size < needed:
        spectrum = np.concatenate([spectrum, np.zeros(needed - spectrum.size)])
    bands = spectrum[:needed].reshape(count + 1, periods)
    scale = 2 * periods / n
    rise = scale * np.sin(np.arange(periods) * (np.pi / 2 / periods)) ** 2
    folded = bands[1:] * (scale - rise)
    folded += bands[:-1] * rise
    amplitudes: Complex = fft.ifft(folded, axis=1, overwrite_x=True)
    return amplitudes


def follow_phase(amplitudes: Complex, window: int) -> PhasePath | None:
    """Combine the phases of all harmonics into that of the fundamental.

    Parameters
    ----------
    amplitudes : ndarray of complex, shape (n_harmonics, periods)
        From `demodulate`.
    window : int
        Length in periods over which the slope of the phase will be taken.

    Returns
    -------
    PhasePath or None
        None where no harmonic stands out of the noise.

    Notes
    -----
    Starts from the strongest harmonic, whose phase can be unwrapped, and takes in higher ones as
    the phase becomes known well enough to line them up (Gauss-Newton steps on the common phase).
    The noise of each harmonic is read from the second differences of its length, not of its
    phase, so that real jitter of the oscillator is not mistaken for noise of the recording.

    Harmonics of real instruments need not stay in step: a moving filter, a beating partial or a
    bending string turns them against each other. Where the slope of a harmonic's phase departs
    from that of the others by more than their noise explains, the rest counts as
    noise of that harmonic, which lowers its weight and widens the uncertainty (random-effects
    weighting [1]_).

    References
    ----------
    .. [1] R. DerSimonian, N. Laird, "Meta-analysis in clinical trials", Controlled Clinical Trials
       7 (1986), 177-188.
    """
    count, periods = amplitudes.shape
    inner = slice(EDGE, periods - EDGE)
    energy = amplitudes.real**2 + amplitudes.imag**2
    power = energy[:, inner].mean(axis=1)
    noise = _noise_by_difference(amplitudes[:, inner])
    strongest = int(np.argmax(power))
    phase = np.unwrap(np.angle(amplitudes[strongest])) / (strongest + 1)
    phase = phase + _astray(amplitudes, phase, power, noise)
    sd = math.sqrt(noise[strongest] / power[strongest]) / (strongest + 1)
    reach, discord = strongest + 1, np.zeros(count)
    checks = 0
    for step in range(10):
        last, before = reach, sd
        reach = int(min(count, max(reach, 0.4 / max(sd, 1e-12))))
        if not step:
            reach = min(reach, max(strongest + 1, FIRST_HARMONICS))
        turned = _powers(np.exp(-1j * phase), reach)
        turned *= amplitudes[:reach]
        mean = turned[:, inner].mean(axis=1)
        if step:
            noise[:reach] = _noise_by_length(turned[:, inner], mean)
        kept = _significant(mean, noise[:reach], periods - 2 * EDGE)
        if not kept.any():
            return None
        fit = _align(turned, kept, noise[:reach] + discord[:reach])
        phase = phase + np.clip(fit.correction, -0.5, 0.5)
        sd = fit.sd
        in_line = (step > 1 and last == reach) or (step > 0 and reach * before < IN_LINE_RAD)
        settled = in_line and reach == int(min(count, max(reach, 0.4 / sd)))
        if settled and checks == 2:
            break
        if settled:
            found = _discord(
                turned[:, inner], kept, noise[:reach], fit, window, by_median=not checks
            )
            checks = checks + 1 if found.any() else 2
            discord[:reach] = np.maximum(discord[:reach], found)
            if not found.any():
                break
    explained = fit.level**2 * float(np.sum(np.abs(kept) ** 2))
    total = energy.sum(axis=0)
    share = ndimage.uniform_filter1d(explained, 5) / np.maximum(
        ndimage.uniform_filter1d(total, 5), 1e-300
    )
    squared = np.zeros(count)
    squared[:reach] = np.abs(kept) ** 2
    own = _align(turned, kept, noise[:reach]) if discord.any() else fit
    return PhasePath(
        radians=phase,
        sd=sd / fit.level,
        noise_sd=own.sd / fit.level,
        share=np.minimum(share, 1.0),
        level=fit.level,
        periodicity=_periodicity(turned, total),
        power=squared,
        highest=reach,
    )


def _periodicity(turned: Complex, total: Real) -> Real:
    """Correlation of each period's harmonics with the next one's, over five periods."""
    product: Real = np.einsum("km,km->m", turned[:, 1:], np.conj(turned[:, :-1])).real
    both = (total[1:] + total[:-1]) / 2
    near = ndimage.uniform_filter1d(product, 5) / np.maximum(
        ndimage.uniform_filter1d(both, 5), 1e-300
    )
    worse: Real = np.minimum(np.append(near, near[-1]), np.insert(near, 0, near[0]))
    return worse


def _astray(amplitudes: Complex, phase: Real, power: Real, noise: Real) -> Real:
    """Phase by which one harmonic led astray, from what most of the lower ones agree on.

    Two voices that beat take a harmonic through a null, where its phase turns quickly.
    """
    low = np.arange(min(LOW_HARMONICS, power.size))
    low = low[power[low] > 100 * noise[low]]
    if low.size < 3:
        return np.zeros(phase.size)
    order = (low + 1.0)[:, None]
    pairs = (
        amplitudes[low, 1:] * np.conj(amplitudes[low, :-1]) * np.exp(-1j * order * np.diff(phase))
    )
    pairs = ndimage.uniform_filter1d(pairs, 9, axis=1)
    weight = np.sqrt(np.abs(pairs) / noise[low, None]) * order
    turn = _weighted_median(np.angle(pairs) / order, weight)
    scatter = np.sqrt(1 / np.maximum(weight**2, 1e-300).sum(axis=0))
    clear = np.abs(turn) > np.maximum(ASTRAY_RAD, 6 * scatter)
    return np.concatenate([[0.0], np.cumsum(np.where(clear, turn, 0.0))])


@dataclass(frozen=True)
class _Alignment:
    """One Gauss-Newton step of the common phase."""

    correction: Real
    level: Real
    sd: float


def _align(turned: Complex, kept: Complex, noise: Real) -> _Alignment:
    order = np.arange(1, kept.size + 1, dtype=np.float64)
    power = np.abs(kept) ** 2 / noise
    information = float(order**2 @ power)
    aligned = np.conj(kept) / noise
    # einsum, not a matrix product: the threads of that cost more than they save here.
    level = np.einsum("k,km->m", aligned, turned).real / float(power.sum())
    level = np.maximum(ndimage.uniform_filter1d(level, 3), 0.02)
    turn = np.einsum("k,km->m", order * aligned, turned).imag
    correction = turn / information / level
    return _Alignment(correction, level, 1 / math.sqrt(information))


def _discord(
    turned: Complex, kept: Complex, noise: Real, fit: _Alignment, window: int, *, by_median: bool
) -> Real:
    """Variance per quadrature that each harmonic's slope shows beyond its noise, 0 where none."""
    rows = np.flatnonzero(kept)
    periods = turned.shape[1]
    length = min(max(window, 4), periods // 4)
    found = np.zeros(kept.size)
    if rows.size < 2 or length < 4:
        return found
    windows = periods // length
    size = np.abs(kept[rows]) ** 2
    order = rows + 1.0
    cross = turned[rows, : windows * length].reshape(rows.size, windows, length)
    level = fit.level[EDGE : EDGE + windows * length].reshape(windows, length)
    lag = (cross * np.conj(kept[rows])[:, None, None]).imag / level
    ramp = np.arange(length) - (length - 1) / 2
    scale = 1 / float(ramp @ ramp)
    slope = (lag @ ramp) * scale / (size * order)[:, None]
    colour = LAG_0 + 2 * LAG_1 * (1 - 3 / length)
    expected = noise[rows] / (size * order**2) * scale * colour
    # Their median at first: no harmonic may win by precision alone, nor drag the others along.
    if by_median:
        weight = 1 / np.sqrt(expected)
        reference = _weighted_median(slope, np.broadcast_to(weight[:, None], slope.shape))
        of_reference = 1.57 * float(weight**2 @ expected) / float(weight.sum()) ** 2
    else:
        reference, of_reference = np.zeros(windows), float(1 / (1 / expected).sum())
    excess = np.mean((slope - reference) ** 2, axis=1) - expected - of_reference
    clear = excess > 4 * math.sqrt(2 / windows) * (expected + of_reference)
    found[rows] = np.where(clear, excess / expected, 0.0) * noise[rows]
    return found


def _weighted_median(values: Real, weight: Real) -> Real:
    """Median of each column of ``values``, with weights of the same shape."""
    order = np.argsort(values, axis=0)
    below = np.cumsum(np.take_along_axis(weight, order, axis=0), axis=0)
    middle = np.argmax(below >= 0.5 * below[-1], axis=0)
    columns = np.arange(values.shape[1])
    median: Real = values[order[middle, columns], columns]
    return median


def _powers(base: Complex, count: int) -> Complex:
    """First to ``count``-th power of each element, shape (count, n), by doubling."""
    turns: Complex = np.empty((count, base.size), np.complex128)
    turns[0] = base
    done = 1
    while done < count:
        more = min(done, count - done)
        np.multiply(turns[:more], turns[done - 1], out=turns[done : done + more])
        done += more
    return turns


def _significant(mean: Complex, noise: Real, periods: int) -> Complex:
    """Mean amplitudes with the insignificant ones left out and the others freed of noise power."""
    floor = 2 * noise / periods
    power = mean.real**2 + mean.imag**2
    return mean * np.where(power > SIGNIFICANT * floor, 1 - floor / np.maximum(power, 1e-300), 0.0)


def _noise_by_difference(amplitudes: Complex) -> Real:
    """Noise variance per quadrature from second differences of the complex amplitudes."""
    bend = np.abs(_second_difference(amplitudes, MOST_DIFFERENCES // 2)) ** 2
    return _smooth(np.median(bend, axis=1) / (math.log(2) * 2 * SECOND_DIFFERENCE))


def _noise_by_length(turned: Complex, mean: Complex) -> Real:
    """Noise variance per quadrature from second differences of the amplitudes' lengths."""
    unit = np.conj(mean) / np.maximum(np.abs(mean), 1e-300)
    bend = _second_difference(turned, MOST_DIFFERENCES)
    bend = np.abs(bend.real * unit.real[:, None] - bend.imag * unit.imag[:, None])
    return _smooth(np.mean(bend, axis=1) ** 2 * (np.pi / 2) / SECOND_DIFFERENCE)


def _second_difference(amplitudes: Complex, most: int) -> Complex:
    """Second differences along the periods; of long stretches about so many evenly spread ones."""
    step = max(1, amplitudes.shape[1] // most)
    middle = amplitudes[:, 1:-1:step]
    return amplitudes[:, :-2:step] - 2 * middle + amplitudes[:, 2::step]


def _smooth(noise: Real) -> Real:
    """Share noise estimates among neighbours; a harmonic with a hum line in it keeps its own."""
    width = 2 * (noise.size // 24) + 1
    shared = ndimage.median_filter(noise, width, mode="mirror") if width > 1 else noise
    tiny = 1e-300 + 1e-24 * float(noise.max(initial=0.0))
    return np.maximum(np.where(noise > 4 * shared, noise, shared), tiny)
