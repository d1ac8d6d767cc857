"""What a noise test hands back: floor, mains lines and families, other tones, and the spectrum."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, ClassVar

import pandas as pd

from sigkit.arrays import Flags, Real
from sigkit.measures.result import Result
from sigkit.quantity import Quantity

if TYPE_CHECKING:
    from matplotlib.axes import Axes

HUM_COLUMNS = (
    "order",
    "frequency_hz",
    "level_dbfs",
    "u_level_db",
    "at_most_dbfs",
    "over_noise_db",
    "family",
    "remark",
)
TONE_COLUMNS = ("frequency_hz", "level_dbfs", "u_level_db", "is_bleed")


@dataclass(frozen=True, kw_only=True, eq=False)
class NoiseResult(Result):
    """Idle noise of an instrument: what is heard while nothing plays.

    Levels are dBFS as AES17 has it (a full-scale sine reads 0), over the band in ``band_hz``.

    Parameters
    ----------
    floor : Quantity
        Total noise in the band less the lines of the mains, dBFS. Other tones are in it.
    floor_a : Quantity
        The same under the A-weighting of IEC 61672-1, dBFS(A).
    floor_468 : Quantity
        The same under the curve of ITU-R BS.468, but rms, not quasi-peak: dBFS(468, rms).
    hiss : Quantity
        The floor less all other tones too, dBFS.
    total : Quantity
        Everything in the band, lines of the mains included, dBFS.
    mains_frequency : Quantity
        Mean frequency of the mains over the capture, Hz; or ``ambiguous``.
    second_mains : Quantity
        The same of another mains that is heard too.
    mains_line : Quantity
        Level of the line at the mains frequency itself, dBFS.
    hum_odd : Quantity
        Power sum of the odd family: the mains frequency, three times it, and so on, dBFS.
    ripple : Quantity
        Power sum of the even family: twice the mains frequency and its multiples, dBFS. The first
        twenty lines count whether or not they stand out (the noise under them is taken off),
        higher ones where they do.
    tone : Quantity
        Level of the full tone that the next ones are relative to, dBFS.
    floor_re_tone, floor_a_re_tone, mains_line_re_tone, hum_odd_re_tone, ripple_re_tone : Quantity
        The above less ``tone``, dB.
    bleed : Quantity
        Power sum of the lines of the tone that are heard where nothing plays, re the tone, dB;
        hum and noise are not in it.
    hum : DataFrame
        One row a line of the mains: ``order``; ``frequency_hz``; ``level_dbfs`` with ``u_level_db``
        (nan where it does not stand out) and ``at_most_dbfs``; ``over_noise_db``, its power over
        the noise in a band of one over the length of the sound; ``family``, ``odd`` or ``even``;
        ``remark``. Orders are 0 where it is ambiguous what they are.
    second_hum : DataFrame
        The same for the second mains.
    tones : DataFrame
        Other lines, the strongest first: ``frequency_hz``, ``level_dbfs``, ``u_level_db``, and
        ``is_bleed``, whether it is one of the tone's.
    hint : str
        What odd against even family may mean: a hint, never proof.
    band_hz : tuple of float
        Band of the floor: 20 Hz to 20 kHz, or to the rate over 2.2 where that is lower.
    quiet_s : float
        Seconds of quiet that were used.
    frequency_hz, density : ndarray, shape (n_bins,)
        Spectrum of the quiet: power per hertz (a full-scale sine has the power 1).
    covered : ndarray of bool, shape (n_bins,)
        Bins that lines of the mains cover, bridged in the floor.
    bounds : mapping of str to Quantity
        The most that quantities without a value can be.
    """

    test: ClassVar[str] = "noise"

    floor: Quantity
    floor_a: Quantity
    floor_468: Quantity
    hiss: Quantity
    total: Quantity
    mains_frequency: Quantity
    second_mains: Quantity
    mains_line: Quantity
    hum_odd: Quantity
    ripple: Quantity
    tone: Quantity
    floor_re_tone: Quantity
    floor_a_re_tone: Quantity
    mains_line_re_tone: Quantity
    hum_odd_re_tone: Quantity
    ripple_re_tone: Quantity
    bleed: Quantity
    hum: pd.DataFrame
    second_hum: pd.DataFrame
    tones: pd.DataFrame
    hint: str
    band_hz: tuple[float, float]
    quiet_s: float
    frequency_hz: Real = field(repr=False)
    density: Real = field(repr=False)
    covered: Flags = field(repr=False)
    bounds: Mapping[str, Quantity] = field(default_factory=dict)

    @property
    def said(self) -> tuple[str, ...]:
        """The hint, then every remark."""
        return (self.hint, *self.notes) if self.hint else self.notes

    def at_most(self) -> Mapping[str, Quantity]:
        """Return what lines that do not stand out of the noise are at most."""
        return self.bounds

    def band_of(self, quantity: str) -> float:
        """Return the upper end of the band for what is noise over all of it, in Hz."""
        whole = quantity.startswith("floor") or quantity in ("hiss", "total")
        return self.band_hz[1] if whole else math.inf

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the spectrum with the families of the mains marked; return the axes."""
        from sigkit.charts.noise import draw_noise

        return draw_noise(self, ax)
