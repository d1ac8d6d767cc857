"""The full tone that noise is held against, and what of it bleeds through where nothing plays."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sigkit.arrays import Flags
from sigkit.captures.wav import Capture
from sigkit.measures.noise.part import Tone, noise_around, tones_of
from sigkit.measures.noise.spectrum import Spectrum, spectrum_of
from sigkit.quantity import Quantity, Term, combine, not_measurable
from sigkit.tracks.level_parts import Part, level_parts

LOUDER_DB, LEAST_S = 20.0, 1.0
"""A tone held in a capture is so much louder than its quiet, and so long."""
TONAL = 0.9
"""Share of its power that lies in lines."""
GAIN_DB = 0.1
"""What an input gain that nobody touched may differ by from one capture to the next."""
SAME_PITCH = 0.006


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
    """Whether nearly all the power of a part lies in lines that mains lines do not cover."""
    lines = spectrum.density > 20 * noise_around(spectrum)
    wide = np.convolve(lines, np.ones(7), "same") > 0
    own = float(spectrum.density[wide & ~cover].sum())
    return own > TONAL * float(spectrum.density.sum())


def tone_in(part: Part, where: str, more: Sequence[Term] = ()) -> FullTone:
    """Measure a part that holds a tone at full level."""
    size = max(1, round(0.1 * part.rate))
    count = max(1, part.sound.size // size)
    powers = 2 * part.sound[: count * size].reshape(count, -1).var(axis=1)
    power = float(powers.mean())
    level = 10 * math.log10(power)
    swing = float(powers.std(ddof=1)) / power if count > 1 else 0.1
    # Neighbouring windows of a tone that swells or beats go together.
    scatter = Term("tone not steady", max(4.34 * swing / math.sqrt(max(1.0, count / 5)), 1e-3), "A")
    spectrum = spectrum_of(part.sound, part.rate)
    lines, _ = tones_of(spectrum, np.zeros(spectrum.density.size, bool))
    return FullTone(combine(level, "dBFS", [scatter, *more]), tuple(lines), where)


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
        Power re that of the tone's lines, 0 where none of them stands out; uncertainty; and the
        most that the strongest of them could hide in the noise.
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
    return power / full, u / full, (power + hidden) / full


def belongs(hz: float, tone: FullTone) -> bool:
    """Whether a frequency is one of the tone's, as near as an oscillator keeps its pitch."""
    return any(abs(hz / line.hz - 1) < SAME_PITCH for line in tone.lines)
