"""Pitch stability of a held note: offset, spread, drift, jumps, Allan deviation."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

import numpy as np
import pandas as pd

from sigkit.arrays import Real
from sigkit.captures.wav import Capture
from sigkit.errors import InputError
from sigkit.measures.allan import COLUMNS, allan_deviation
from sigkit.measures.fits import fit_line
from sigkit.measures.held_note import (
    clock_term,
    gap_note,
    require_number,
    require_one_note,
    require_tone,
    source_of,
)
from sigkit.measures.result import Result
from sigkit.quantity import Quantity, Term, combine, not_measurable
from sigkit.tracks.jumps import find_jumps
from sigkit.tracks.pitch import PitchTrack, track_pitch
from sigkit.tracks.second_opinion import second_opinion

if TYPE_CHECKING:
    from matplotlib.axes import Axes


A4_HZ = 440.0
"""Standard tuning frequency (ISO 16:1975)."""
LEAST_S = 0.5
DRIFT_LEAST_S = 2.0
LEAST_WINDOWS = 12


@dataclass(frozen=True, kw_only=True, eq=False)
class StabilityResult(Result):
    """Pitch stability of a held note, from the pitch in windows of 0.1 s.

    Parameters
    ----------
    frequency : Quantity
        Frequency at the mean of the pitch in cents, Hz.
    offset : Quantity
        That frequency against the nominal one, cents.
    spread : Quantity
        Standard deviation of the pitch over the whole capture, drift included, the track's own
        noise taken out, cents.
    peak_to_peak : Quantity
        Highest less lowest pitch, the track's own noise taken out, cents.
    drift : Quantity
        Slope of a straight line through the pitch, cents/min.
    jumps : DataFrame
        Columns time_s, size_cents, u_cents: steps that stay, faster than 50 ms.
    allan : DataFrame
        Columns tau_s, adev, adev_low, adev_high: overlapping Allan deviation of the relative
        frequency over the longest unbroken tone, two-sided 95 % interval.
    nominal_hz : float
        What the offset refers to.
    track : PitchTrack
        The pitch behind it all.
    """

    test: ClassVar[str] = "stability"

    frequency: Quantity
    offset: Quantity
    spread: Quantity
    peak_to_peak: Quantity
    drift: Quantity
    jumps: pd.DataFrame
    allan: pd.DataFrame
    nominal_hz: float
    track: PitchTrack

    def another_capture(self) -> Mapping[str, Term]:
        """Return what the wander seen here may do to another capture's numbers."""
        cents = self.track.cents(float(self.frequency))[self.track.voiced]
        apart = cents[:: max(1, round(self.track.window_s / self.track.hop_s))]
        for_mean, for_variance = independent_values(apart)
        spread, source = float(np.std(cents)), "another capture, from the wander in this one"
        of_mean, relative = spread / math.sqrt(for_mean), 1 / math.sqrt(2 * for_variance)
        sizes = {
            "frequency": of_mean * math.log(2) / 1200 * float(self.frequency),
            "offset": of_mean,
            "spread": relative * spread,
            "peak_to_peak": relative * float(np.ptp(cents)),
        }
        dof = max(1.0, for_variance - 1)
        return {name: Term(source, u, "A", dof) for name, u in sizes.items() if u > 0}

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw pitch in cents over time, jumps marked."""
        from sigkit.charts.stability import draw_stability

        return draw_stability(self, ax)


def measure_stability(capture: Capture, *, nominal_hz: float | None = None) -> StabilityResult:
    """Measure how well a held note keeps its pitch.

    Parameters
    ----------
    capture : Capture
        One held note of one oscillator, 10 to 60 s.
    nominal_hz : float, optional
        The pitch it should have, in Hz; by default the nearest note of the equal-tempered scale
        with A4 = 440 Hz.

    Returns
    -------
    StabilityResult
        See there for the quantities.

    Raises
    ------
    InputError
        A nominal frequency that is not positive.
    SignalError
        Less than half a second of tone, or not one held note.

    See Also
    --------
    sigkit.measure_warmup : Drift from switch-on until settled.
    sigkit.track_pitch : The pitch itself.

    Notes
    -----
    The pitch is that of windows of 0.1 s (6 periods below 60 Hz). Uncertainties: additive noise of
    the recording, from the track; for the frequency the sound card's clock (50 ppm, rectangular);
    for the drift the wander about the line, with its correlation, Student's t.

    References
    ----------
    .. [1] JCGM 100:2008, 4.3.7, 5.1.2 and annex H.3.
    .. [2] W. Riley, Handbook of Frequency Stability Analysis, NIST SP 1065 (2008).
    """
    if nominal_hz is not None:
        require_number("nominal_hz", nominal_hz, capture)
        if not nominal_hz > 0:
            raise InputError(
                f"nominal_hz must be above 0; got {nominal_hz}.",
                where=capture.path.name,
                remedy="Give the pitch the note should have, in Hz.",
            )
    track = track_pitch(capture)
    require_tone(capture, track, LEAST_S)
    require_one_note(capture, track)
    notes = list(gap_note(track)) + list(second_opinion(capture, track))
    voiced = track.voiced
    reference_hz = float(2 ** np.mean(np.log2(track.frequency_hz[voiced])))
    cents, u_cents = track.cents(reference_hz), track.u_cents()
    noise = math.sqrt(float(np.mean(u_cents[voiced] ** 2)))
    independent = max(1.0, np.count_nonzero(voiced) * track.hop_s / track.window_s)
    unseen = 1 - np.count_nonzero(voiced) * track.hop_s / capture.duration_s
    in_mean = math.hypot(
        noise / math.sqrt(independent), max(0.0, unseen) * float(np.std(cents[voiced]))
    )
    if nominal_hz is None:
        nominal_hz = nearest_note_hz(reference_hz)
        notes.append(f"offset is from the nearest equal-tempered note, {nominal_hz:.2f} Hz")
    per_cent_hz = reference_hz * math.log(2) / 1200
    frequency = combine(
        reference_hz,
        "Hz",
        [Term("noise, unseen ends", in_mean * per_cent_hz, "A"), clock_term(reference_hz)],
    )
    offset = combine(
        1200 * math.log2(reference_hz / nominal_hz),
        "cents",
        [Term("noise, unseen ends", in_mean, "A"), clock_term(1200 / math.log(2))],
    )
    return StabilityResult(
        source=source_of(capture),
        settings={"nominal_hz": nominal_hz},
        notes=tuple(notes),
        frequency=frequency,
        offset=offset,
        spread=spread_of(cents[voiced], noise, independent, unseen=unseen),
        peak_to_peak=peak_to_peak_of(cents[voiced], noise, independent, unseen=unseen),
        drift=drift_of(track.time_s[voiced], cents[voiced], track.window_s),
        jumps=find_jumps(track.time_s, cents, window_s=track.window_s),
        allan=_allan(track, reference_hz),
        nominal_hz=nominal_hz,
        track=track,
    )


def nearest_note_hz(frequency_hz: float) -> float:
    """Return the nearest note of the equal-tempered scale with A4 = 440 Hz (ISO 16)."""
    return float(A4_HZ * 2 ** (round(12 * math.log2(frequency_hz / A4_HZ)) / 12))


def independent_values(values: Real) -> tuple[float, float]:
    """Return how many independent values a correlated series is worth.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Evenly spaced series.

    Returns
    -------
    for_mean, for_variance : float
        n / (1 + 2 sum r_k) and n / (1 + 2 sum r_k^2), at least 1, with the autocorrelations r_k up
        to the first that is not positive.

    References
    ----------
    .. [1] G. Bayley, J. Hammersley, "The effective number of independent observations in an
       autocorrelated time series", J. Royal Statistical Society (Supplement) 8 (1946), 184-197.
    """
    centred = values - values.mean()
    power = float(centred @ centred)
    if centred.size < 4 or power == 0:
        return 1.0, 1.0
    r = np.correlate(centred, centred, "full")[centred.size :] / power
    negative = np.flatnonzero(r <= 0)
    r = r[: negative[0]] if negative.size else r
    n = float(centred.size)
    return max(1.0, n / (1 + 2 * float(r.sum()))), max(1.0, n / (1 + 2 * float((r**2).sum())))


def spread_of(cents: Real, noise: float, independent: float, *, unseen: float = 0.0) -> Quantity:
    """Return the standard deviation of the pitch without the track's noise, in cents.

    Parameters
    ----------
    cents : ndarray, shape (n,)
        Pitch where there is a tone.
    noise : float
        Standard deviation of the track's own noise, cents.
    independent : float
        Number of windows that share no sound.
    unseen : float
        Share of the capture without a pitch: its ends, gaps.
    """
    total = float(np.var(cents))
    spread = math.sqrt(max(0.0, total - noise**2))
    own = max(spread, noise / math.sqrt(math.sqrt(independent)), 1e-9)
    by_path = noise / math.sqrt(independent)
    by_noise = noise**2 / math.sqrt(2 * independent) / own
    return combine(
        spread,
        "cents",
        [
            Term("noise on the pitch", by_path, "A"),
            Term("noise taken out", by_noise, "A"),
            Term("parts without a pitch", max(0.0, unseen) * spread, "B"),
        ],
    )


def peak_to_peak_of(
    cents: Real, noise: float, independent: float, *, unseen: float = 0.0
) -> Quantity:
    """Highest less lowest pitch without what the track's noise adds, in cents.

    Parameters
    ----------
    cents : ndarray, shape (n,)
        Pitch where there is a tone.
    noise : float
        Standard deviation of the track's own noise, cents.
    independent : float
        Number of windows that share no sound.
    unseen : float
        Share of the capture without a pitch: its ends, gaps.
    """
    by_noise = 2 * noise * math.sqrt(2 * math.log(max(2.0, independent)))
    seen = float(np.ptp(cents))
    # Noise adds nothing to extremes that stand out, and all of it where the pitch stands still.
    value = max(0.0, seen - by_noise / 2)
    at_ends = math.sqrt(2) * noise
    excess = by_noise / 2 / math.sqrt(3)
    return combine(
        value,
        "cents",
        [
            Term("noise at both extremes", at_ends, "A"),
            Term("noise taken out", excess, "B"),
            Term("parts without a pitch", max(0.0, unseen) * seen, "B"),
        ],
    )


def drift_of(time_s: Real, cents: Real, window_s: float) -> Quantity:
    """Slope of a straight line through the pitch, in cents/min.

    Parameters
    ----------
    time_s, cents : ndarray, shape (n,)
        Pitch where there is a tone.
    window_s : float
        Length of the windows behind the frames: so far apart they share no sound.

    Notes
    -----
    The uncertainty is that of the slope under wander like that about the line, whose correlation
    from window to window is allowed for: the drift that another capture would show again.
    """
    span_s = float(time_s[-1] - time_s[0])
    apart = max(1, round(window_s / float(np.median(np.diff(time_s)))))
    t, c = time_s[::apart], cents[::apart]
    if span_s < DRIFT_LEAST_S or t.size < LEAST_WINDOWS:
        return not_measurable(
            "cents/min", f"only {span_s:.1f} s of tone, drift needs {DRIFT_LEAST_S:g} s"
        )
    fit = fit_line(t, c)
    # A line takes out some of a slow wander, so what is left is worth fewer values still.
    worth, _ = independent_values(fit.residuals)
    dof = max(1.0, worth - 2)
    u = float(np.std(fit.residuals)) / math.sqrt(dof) / float(np.std(t))
    slope = 60 * float(fit_line(time_s, cents).values[1])
    return combine(slope, "cents/min", [Term("scatter", max(60 * u, 1e-9), "A", dof)])


def _allan(track: PitchTrack, reference_hz: float) -> pd.DataFrame:
    """Allan deviation over the longest unbroken tone, from twice the window upwards."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], track.voiced, [False]])))
    begins, ends = edges[::2], edges[1::2]
    longest = int(np.argmax(ends - begins))
    part = track.frequency_hz[begins[longest] : ends[longest]] / reference_hz - 1
    lowest = 2 * track.window_s
    longest_s = part.size * track.hop_s / 4
    if longest_s < lowest:
        return pd.DataFrame(columns=COLUMNS, dtype=float)
    octaves = int(math.log2(longest_s / lowest)) + 1
    phase_s = np.concatenate([[0.0], np.cumsum(part)]) * track.hop_s
    return allan_deviation(phase_s, track.hop_s, lowest * 2.0 ** np.arange(octaves))
