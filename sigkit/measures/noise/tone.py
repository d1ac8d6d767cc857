"""The full tone that noise is held against, and what of it bleeds through where nothing plays."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import signal

from sigkit.arrays import Flags, Real
from sigkit.captures.wav import Capture
from sigkit.measures.noise.part import Tone, noise_around, tones_of
from sigkit.measures.noise.spectrum import Spectrum, noise_band_hz, spectrum_of
from sigkit.quantity import Quantity, Term, combine, not_measurable
from sigkit.tracks.level_parts import Part, level_parts

LOUDER_DB, LEAST_S = 20.0, 1.0
"""A tone held in a capture is so much louder than its quiet, and so long."""
TONAL = 0.9
"""Share of its power that lies in lines."""
GAIN_DB = 0.1
"""What an input gain that nobody touched may differ by from one capture to the next."""
SAME_PITCH = 0.006
WINDOW_S, PIECES = 0.2, 4
"""Length of the windows of a tone's power, four periods of 20 Hz, and their overlap."""
TOGETHER = 5
"""Where a tone swells or beats, so many windows go together."""
STRONGEST = 10
"""Lines of a tone whose products are looked at."""


@dataclass(frozen=True, eq=False)
class FullTone:
    """A tone at full level.

    Parameters
    ----------
    level : Quantity
        Its level in dBFS, or why there is none.
    lines : tuple of Tone
        Its lines, the strongest first.
    where : str
        Where it is, in words; empty without one.
    """

    level: Quantity
    lines: tuple[Tone, ...] = ()
    where: str = ""


NO_TONE = FullTone(
    not_measurable(
        "dBFS",
        "no full tone in the capture: hold a key at full level for 5 s at its end, or name a "
        "capture of the same gain as reference",
    )
)


def is_tone(spectrum: Spectrum, cover: Flags) -> bool:
    """Whether nearly all the power in the band lies in lines that mains lines do not cover."""
    f = spectrum.frequency_hz
    low, high = noise_band_hz(round(2 * f[-1]))
    inside = (f > low) & (f < high)
    lines = spectrum.density > 20 * noise_around(spectrum)
    wide = np.convolve(lines, np.ones(7), "same") > 0
    own = float(spectrum.density[wide & ~cover & inside].sum())
    return own > TONAL * float(spectrum.density[inside].sum())


def tone_in(part: Part, where: str, more: Sequence[Term] = ()) -> FullTone:
    """Measure a part that holds a tone at full level: everything that sounds in it.

    Parameters
    ----------
    part : Part
        The tone.
    where : str
        Where it is, in words.
    more : sequence of Term
        What else is uncertain about its level.

    Returns
    -------
    FullTone
        Level and lines.

    Notes
    -----
    The level is a mean of powers under Blackman-Harris windows: in windows with hard ends the
    cut periods of the tone itself look like an unsteady level. Sums and differences of the tone's
    lines, as far as these windows let them through, are in the uncertainty. What neighbouring
    windows differ by, half the mean square successive difference [1]_, is independent from window
    to window; the rest of their variance swells or beats, over some windows together.

    References
    ----------
    .. [1] J. von Neumann, Annals of Mathematical Statistics 12, 367-395 (1941).
    """
    powers, width = _powers(part.sound, part.rate)
    power = float(powers.mean())
    fast = float(np.mean((powers[PIECES:] - powers[:-PIECES]) ** 2)) / 2
    slow = max(float(powers.var(ddof=1)) - fast, 0.0)
    # All windows together are as sure as so many that do not overlap, each of its own width.
    count = (powers.size + PIECES - 1) / PIECES
    u = 4.34 * math.sqrt(fast * width / count) / power
    spectrum = spectrum_of(part.sound, part.rate)
    lines, _ = tones_of(spectrum, np.zeros(spectrum.density.size, bool))
    let_through = 4.34 * _let_through(lines[:STRONGEST], powers.size, part.rate)
    terms = [Term("noise under the tone", u, "A"), Term("periods of the tone", let_through, "B")]
    if slow > 0:
        u = 4.34 * math.sqrt(slow * TOGETHER / count) / power
        terms.append(Term("tone not steady", u, "A"))
    level = 10 * math.log10(power)
    return FullTone(combine(level, "dBFS", [*terms, *more]), tuple(lines), where)


def _powers(sound: Real, rate: int) -> tuple[Real, float]:
    """Return powers (a full-scale sine has 1) under windows that overlap, and a window's width.

    A window that is PIECES hops long slides over the squared sound: it is summed hop by hop. Its
    width is the share of its length that it counts for.
    """
    window = _window(rate)
    hop = window.shape[1]
    count = sound.size // hop
    squares = (sound[: count * hop] - sound.mean()).reshape(count, hop) ** 2
    pieces = squares @ window.T
    sums = [pieces[k : count - PIECES + 1 + k, k] for k in range(PIECES)]
    out: Real = 2 * np.sum(sums, axis=0) / window.sum()
    return out, float(window.sum() ** 2 / (window.size * np.sum(window**2)))


def _window(rate: int) -> Real:
    """Return the window in as many rows as hops go into it."""
    hop = max(1, round(WINDOW_S * rate / PIECES))
    out: Real = signal.windows.blackmanharris(PIECES * hop, sym=False).reshape(PIECES, hop)
    return out


def _let_through(lines: Sequence[Tone], count: int, rate: int) -> float:
    """Return what products of lines add to their mean power, rms over their phases, relative.

    The square of a sum of lines holds each at twice its frequency, and the sums and differences
    of any two. So many windows together let through a little of those.
    """
    hz, power = np.array([(t.hz, t.power) for t in lines]).reshape(-1, 2).T
    window = _window(rate).ravel() / _window(rate).sum()
    hop = window.size // PIECES
    i, j = np.triu_indices(hz.size, 1)
    both = 2 * np.sqrt(power[i] * power[j])
    at = np.concatenate([2 * hz, hz[i] + hz[j], hz[i] - hz[j]])
    size = np.concatenate([power, both, both]) / max(float(power.sum()), 1e-300)
    passed = [abs(window @ np.exp(2j * np.pi * f / rate * np.arange(window.size))) for f in at]
    together = [abs(np.exp(2j * np.pi * f * hop / rate * np.arange(count)).mean()) for f in at]
    return float(np.sqrt(np.sum((size * passed * together) ** 2) / 2))


def reference_tone(reference: Capture) -> FullTone:
    """Measure the full tone of another capture: its loudest part of steady level."""
    best: Part | None = None
    for part in level_parts(reference):
        longer = part.duration_s >= LEAST_S and math.isfinite(part.level_dbfs)
        if longer and (best is None or part.level_dbfs > best.level_dbfs):
            best = part
    name = reference.path.name
    if best is None:
        return FullTone(not_measurable("dBFS", f"{name} holds no second of steady sound"))
    spectrum = spectrum_of(best.sound, best.rate)
    if not is_tone(spectrum, np.zeros(spectrum.density.size, bool)):
        return FullTone(
            not_measurable("dBFS", f"{name} holds no tone: record one key held at full level")
        )
    gain = Term("gain of the recorder between captures", GAIN_DB / math.sqrt(3), "B")
    where = f"{name}, {best.start_s:.1f} to {best.stop_s:.1f} s"
    return tone_in(best, where, [gain])


def bleed_of(
    tones: Sequence[Tone], spectrum: Spectrum, tone: FullTone
) -> tuple[float, float, float]:
    """Return the power of the tone's lines where nothing plays, its uncertainty, and a bound.

    Parameters
    ----------
    tones : sequence of Tone
        Lines of the quiet part.
    spectrum : Spectrum
        Its spectrum.
    tone : FullTone
        The full tone.

    Returns
    -------
    tuple of float
        Power re that of the tone's lines, 0 where none of them stands out, those that noise hides
        taken to bleed as the others do; uncertainty; and the most that the strongest of them could
        hide in the noise.
    """
    own = [t for t in tones if belongs(t.hz, tone)]
    full = max(math.fsum(t.power for t in tone.lines), 1e-30)
    around, step = noise_around(spectrum), spectrum.step_hz
    hidden = 0.0
    for line in tone.lines[:10]:
        k = min(around.size - 1, round(line.hz / step))
        hidden += float(around[k]) * spectrum.noise_width_hz * 3 / math.sqrt(spectrum.looks)
    power = math.fsum(t.power for t in own)
    u = math.sqrt(math.fsum(t.u_power**2 for t in own))
    # Lines that noise hides bleed as those that are seen do, or not at all, or twice that.
    seen = math.fsum(
        line.power for line in tone.lines if any(abs(t.hz / line.hz - 1) < SAME_PITCH for t in own)
    )
    unseen = power * (full / seen - 1) if own and seen > 0 else 0.0
    u = math.hypot(u, unseen / math.sqrt(3))
    return (power + unseen) / full, u / full, (power + hidden) / full


def belongs(hz: float, tone: FullTone) -> bool:
    """Whether a frequency is one of the tone's, as near as an oscillator keeps its pitch."""
    return any(abs(hz / line.hz - 1) < SAME_PITCH for line in tone.lines)
