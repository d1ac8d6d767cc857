"""What an envelope test hands back: every note with its times, and the notes together."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

import numpy as np
import pandas as pd

from sigkit.arrays import Real
from sigkit.measures.result import Result
from sigkit.quantity import Quantity, Term

if TYPE_CHECKING:
    from matplotlib.axes import Axes

VALUES = (
    "onset_s",
    "attack_s",
    "onset_to_peak_s",
    "peak_dbfs",
    "decay_time_constant_s",
    "sustain_db",
    "sag_db_per_10s",
    "gate_off_s",
    "release_20_s",
    "release_40_s",
    "release_s",
    "release_time_constant_s",
)
"""Columns of a note that have an uncertainty."""
COLUMNS = (
    "number",
    *(name for value in VALUES for name in (value, f"u_{value}")),
    "release_extrapolated",
    "law",
    "law_power",
    "misfit",
    "thump_db",
    "carrier_hz",
    "method",
    "times_from",
    "key_down_s",
    "key_up_s",
    "retrigger",
    "reason",
)


@dataclass(frozen=True)
class Trace:
    """The envelope of one note, to be drawn.

    Parameters
    ----------
    time_s, gain : ndarray, shape (n_points,)
        Time from the start of the capture, and the envelope as the peak of a sine of that level,
        full scale = 1.
    floor : float
        Standard uncertainty of the envelope by noise, in the same unit.
    """

    time_s: Real
    gain: Real
    floor: float


@dataclass(frozen=True, kw_only=True, eq=False)
class EnvelopeResult(Result):
    """Envelope of the notes of a capture.

    Quantities are means over the notes that have them; retriggers are left out of the means.

    Parameters
    ----------
    attack : Quantity
        Time from 10 % to 90 % of the peak, from rest (IEEE Std 181 [1]_ with the peak for its
        upper state: it is none where the note decays to a sustain), s.
    onset_to_peak : Quantity
        Time from the onset, or from the key with a key channel, to the peak, s.
    decay_time_constant : Quantity
        Of the exponential approach to the sustain, in amplitude, or in the control of an
        exponential amplifier, s.
    sustain : Quantity
        Level once the decay has settled, five of its time constants after the peak, re the peak,
        dB; foretold by the model where the key was let go earlier.
    sag : Quantity
        How much the held level would fall in 10 s, at the rate at which it falls, dB.
    release_20, release_40 : Quantity
        Time from the release to 20 and 40 dB below the level at release, read from the envelope
        itself, s.
    release : Quantity
        The same for 60 dB; extrapolated where the floor hides it, see ``remarks``, s.
    release_time_constant : Quantity
        Of the exponential at the release, whose aim is free, s; secondary: another law of the
        amplifier shows as a misfit.
    peak : Quantity
        Level of the tone at the peak, dBFS: its rms, a full-scale sine being 0 (AES17).
    peak_spread : Quantity
        Highest less lowest peak over the notes, dB.
    attack_repeat, decay_repeat, release_repeat : Quantity
        Standard deviation over the notes of attack, decay time constant and release to 20 dB, in
        percent of their mean.
    retriggers : Quantity
        Notes that begin without a key of their own, or, without a key channel, within 60 ms of the
        one before.
    missed_triggers : Quantity
        Keys that went down without a note; needs a key channel.
    thump : Quantity
        What sounds beside the carrier in the 40 ms from the onset, re the peak, dB; the largest.
    notes : DataFrame
        One row a note, in order: ``number``; ``onset_s``, ``attack_s``, ``onset_to_peak_s``,
        ``peak_dbfs``, ``decay_time_constant_s``, ``sustain_db``, ``sag_db_per_10s``,
        ``gate_off_s``, ``release_20_s``, ``release_40_s``, ``release_s``,
        ``release_time_constant_s``, as above, each with its standard uncertainty ``u_...``, nan
        where there is none; ``release_extrapolated``; ``law`` of the amplifier, ``linear``,
        ``power`` or ``exponential``; ``law_power``, the power of the control that its gain goes
        with (1: linear; nan: exponential); ``misfit``, the scatter about the model in units of
        the noise (1: none);
        ``thump_db``; ``carrier_hz`` (nan: noise); ``method``, ``wave`` or ``power``;
        ``times_from``, ``key`` or ``sound``; ``key_down_s`` and ``key_up_s``; ``retrigger``;
        ``reason``, why numbers are missing.
    remarks : tuple of str
        What a reader should know; ``said`` gives them too.
    traces : tuple of Trace
        The envelope of each note.
    key_channel : int or None
        Channel that times were taken from.

    References
    ----------
    .. [1] IEEE Std 181-2011, Transitions, Pulses, and Related Waveforms (terms from memory).
    """

    test: ClassVar[str] = "envelope"

    attack: Quantity
    onset_to_peak: Quantity
    decay_time_constant: Quantity
    sustain: Quantity
    sag: Quantity
    release_20: Quantity
    release_40: Quantity
    release: Quantity
    release_time_constant: Quantity
    peak: Quantity
    peak_spread: Quantity
    attack_repeat: Quantity
    decay_repeat: Quantity
    release_repeat: Quantity
    retriggers: Quantity
    missed_triggers: Quantity
    thump: Quantity
    notes: pd.DataFrame  # type: ignore[assignment]
    remarks: tuple[str, ...]
    traces: tuple[Trace, ...]
    key_channel: int | None
    bounds: Mapping[str, Quantity]

    @property
    def said(self) -> tuple[str, ...]:
        """Remarks a reader of the numbers should know."""
        return self.remarks

    def at_most(self) -> Mapping[str, Quantity]:
        """Return the bound of a thump that was not heard."""
        return self.bounds

    def another_capture(self) -> Mapping[str, Term]:
        """Return by how much another capture may differ, from the scatter of the notes here."""
        terms = {}
        for name in ("retriggers", "missed_triggers"):
            count: Quantity = getattr(self, name)
            if count.measurable and float(count) > 0:
                terms[name] = Term("chance of the presses", math.sqrt(float(count)), "A")
        spread = self.notes["peak_dbfs"].to_numpy(float)
        spread = spread[np.isfinite(spread)]
        if self.peak_spread.measurable and spread.size > 2:
            u = float(self.peak_spread) / math.sqrt(2 * (spread.size - 1))
            if u > 0:
                terms["peak_spread"] = Term("chance of the presses", u, "A", spread.size - 1)
        return terms

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the notes laid on their onsets, level in dB; return the axes."""
        from sigkit.charts.envelope import draw_envelope

        return draw_envelope(self, ax)
