"""Warm-up drift: how far and how long the pitch moves after switch-on, and whether it settled."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

import numpy as np
import pandas as pd

from sigkit.arrays import Real
from sigkit.captures.wav import Capture
from sigkit.errors import InputError, SignalError
from sigkit.measures.fits import Fit, batch_means, correlation_factor, fit_approach, fit_line
from sigkit.measures.held_note import (
    gap_note,
    require_number,
    require_one_note,
    require_tone,
    source_of,
)
from sigkit.measures.result import Result
from sigkit.measures.stability import drift_of
from sigkit.quantity import Quantity, Term, combine, not_measurable
from sigkit.tracks.harmonics import EDGE
from sigkit.tracks.jumps import find_jumps
from sigkit.tracks.pitch import PitchTrack, track_pitch
from sigkit.tracks.power_on import find_power_on
from sigkit.tracks.second_opinion import second_opinion

if TYPE_CHECKING:
    from matplotlib.axes import Axes


LEAST_S = 10.0
FRAMES = 4800
"""A capture gets about so many frames, between 0.05 and 0.25 s apart, each of 4 times that."""
LEAST_APPROACH_CENTS = 0.1
"""A smaller approach is not called one: a sound card's own clock drifts by as much."""
TAIL = 0.1
"""A pitch that entered the band only in the last tenth of the capture is not called settled."""


@dataclass(frozen=True, kw_only=True, eq=False)
class WarmupResult(Result):
    """Warm-up drift of a held note.

    Parameters
    ----------
    total_drift : Quantity
        Pitch at the end less pitch at the start of the tone, cents.
    time_constant : Quantity
        Of the best exponential approach, s.
    settling_time : Quantity
        From switch-on until the pitch enters, and never again leaves, the band around its final
        value, s.
    residual_drift : Quantity
        Slope over the last quarter of the tone, cents/min.
    curve : DataFrame
        Columns time_s (since switch-on), frequency_hz, cents (against the end), u_cents; nan in
        gaps.
    jumps : DataFrame
        Columns time_s (since switch-on), size_cents, u_cents: steps faster than 50 ms, such as a
        knock or a bad contact. They are part of the drift, and named so that they are not hidden
        in it.
    power_on_s : float
        Instant of switch-on in the capture.
    band_cents : float
        Half-width of the band of the settling time.
    """

    test: ClassVar[str] = "warmup"

    total_drift: Quantity
    time_constant: Quantity
    settling_time: Quantity
    residual_drift: Quantity
    curve: pd.DataFrame
    jumps: pd.DataFrame
    power_on_s: float
    band_cents: float

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw cents against minutes since switch-on, with the band and the settling time."""
        from sigkit.charts.warmup import draw_warmup

        return draw_warmup(self, ax)


def measure_warmup(
    capture: Capture, *, power_on_s: float = 0.0, band_cents: float = 2.0
) -> WarmupResult:
    """Measure the drift of a held note from switch-on until it has settled.

    Parameters
    ----------
    capture : Capture
        One held note from switch-on, an hour or more. Start the recorder before the mains switch:
        the thump then tells the instant.
    power_on_s : float, default 0.0
        Instant of switch-on in seconds from the start of the capture; negative where the recorder
        was started later. At 0 a thump before the tone, where there is one, is taken instead.
    band_cents : float, default 2.0
        Half-width of the band in which the pitch counts as settled, in cents.

    Returns
    -------
    WarmupResult
        See there for the quantities. Where the pitch still moves, the settling time is not
        measurable, with the reason "not settled within this recording".

    Raises
    ------
    InputError
        A band that is not positive, or a switch-on after the end.
    SignalError
        Less than 10 s of tone, or not one held note.

    See Also
    --------
    sigkit.measure_stability : A held note after warm-up.

    Notes
    -----
    Start and end of the pitch come from short straight lines at either end of the tone. The final
    value is the pitch at the end; the pitch has not settled where the line through the last
    quarter moves by more than the band within that quarter, where the exponential that fits the
    curve still has more than the band to go, or where the band is entered only in the last tenth.
    The sound card's clock is common to all pitches of a capture and cancels in their differences.

    References
    ----------
    .. [1] JCGM 100:2008, 5.1.2 and annex H.3.
    """
    require_number("band_cents", band_cents, capture)
    require_number("power_on_s", power_on_s, capture)
    if not band_cents > 0:
        raise InputError(
            f"band_cents must be above 0; got {band_cents}.",
            where=capture.path.name,
            remedy="Give half the width of the band in cents.",
        )
    if not power_on_s < capture.duration_s:
        raise InputError(
            f"power_on_s is {power_on_s:g} s, after the end at {capture.duration_s:.1f} s.",
            where=capture.path.name,
            remedy="Give seconds from the start of the capture.",
        )
    hop_s = min(0.25, max(0.05, capture.duration_s / FRAMES))
    track = track_pitch(capture, window_s=4 * hop_s, hop_s=hop_s)
    require_tone(capture, track, LEAST_S)
    require_one_note(capture, track)
    voiced = track.voiced
    notes = [*gap_note(track), *second_opinion(capture, track)]
    began_s = float(track.time_s[voiced][0]) - track.window_s / 2
    if power_on_s == 0.0 and began_s > 0.5:
        found = find_power_on(capture, began_s)
        if found is None:
            notes.append("no switch-on thump before the tone; times count from the capture's start")
        else:
            power_on_s = found
            notes.append(f"switch-on thump found at {found:.2f} s; times count from there")
    time_s = track.time_s[voiced] - power_on_s
    # The track knows a tone from half a window, some periods and half a hop after it begins, and
    # twice the periods where it begins out of silence.
    periods_s = EDGE / float(track.frequency_hz[voiced][0])
    lead_s = track.window_s / 2 + hop_s / 2 + periods_s
    begin, end = time_s[0] - lead_s, time_s[-1] + lead_s
    if begin + power_on_s > 2 * hop_s:
        begin -= periods_s
    reference_hz = float(track.frequency_hz[voiced][-1])
    cents, u_cents = track.cents(reference_hz)[voiced], track.u_cents()[voiced]
    walk = _walk(cents, max(12, round(0.02 * cents.size)))
    start, u_start = _edge(time_s, cents, begin, hop_s, walk)
    final, u_final = _edge(time_s[::-1], cents[::-1], end, hop_s, walk)
    jumps = find_jumps(track.time_s - power_on_s, track.cents(reference_hz), window_s=4 * hop_s)
    if len(jumps):
        steps = ", ".join(
            f"{r.size_cents:+.1f} cents at {r.time_s:.0f} s" for r in jumps.head(5).itertuples()
        )
        notes.append(f"{len(jumps)} step(s) of pitch, part of the drift: {steps}")
    quarter = time_s >= end - (end - begin) / 4
    residual = drift_of(time_s[quarter], cents[quarter], track.window_s)
    fit, refused = _approach(time_s - begin, cents, jumps["time_s"].to_numpy() - begin)
    local = math.hypot(float(np.median(u_cents)), float(walk[-1]))
    settling = _settling(time_s, cents - final, math.hypot(u_final, local), band_cents)
    why_not = _unsettled(settling, time_s, residual, fit, end - begin, band_cents)
    return WarmupResult(
        source=source_of(capture),
        settings={"power_on_s": power_on_s, "band_cents": band_cents},
        notes=tuple(notes),
        total_drift=combine(
            final - start,
            "cents",
            [Term("pitch at the start", u_start, "A"), Term("pitch at the end", u_final, "A")],
        ),
        time_constant=_time_constant(fit, refused, end - begin),
        settling_time=not_measurable("s", why_not) if why_not else settling,
        residual_drift=residual,
        curve=_curve(track, power_on_s, reference_hz, final),
        jumps=jumps,
        power_on_s=power_on_s,
        band_cents=band_cents,
    )


def _edge(time_s: Real, cents: Real, at: float, hop_s: float, walk: Real) -> tuple[float, float]:
    """Pitch at one end of the tone, and its standard uncertainty, by a curve through the frames.

    The curve spans at least 8 frames, and 2 % of the tone: a line, or a parabola where that bends
    clearly. Where the tone begins or ends is known to a hop. Between the middle of the frames and
    the end the pitch wanders on as it does elsewhere (``walk``, by frames apart).
    """
    count = min(time_s.size, max(8, round(0.02 * time_s.size)))
    t, c = time_s[:count] - at, cents[:count]
    coefficients, covariance = np.polyfit(t, c, 2, cov=True)
    bends = abs(coefficients[0]) > 3 * math.sqrt(covariance[0, 0])
    if not bends:
        coefficients, covariance = np.polyfit(t, c, 1, cov=True)
    residuals = c - np.polyval(coefficients, t)
    widen = max(2.0, correlation_factor(residuals))
    by_instant = abs(float(coefficients[-2])) * hop_s / math.sqrt(12)
    apart = min(walk.size - 1, round(abs(float(t.mean())) / hop_s))
    return float(coefficients[-1]), math.hypot(
        math.sqrt(float(covariance[-1, -1]) * widen), by_instant, float(walk[apart])
    )


def _walk(cents: Real, longest: int) -> Real:
    """Return by how much the pitch differs between frames so many hops apart, trend removed.

    From the second half of the tone, where the drift is smallest.
    """
    late = cents[cents.size // 2 :]
    sizes = np.zeros(longest + 1)
    for apart in range(1, longest + 1):
        step = late[apart:] - late[:-apart]
        at = np.arange(step.size)
        sizes[apart] = np.std(step - np.polyval(np.polyfit(at, step, 1), at))
    return sizes


def _approach(since_s: Real, cents: Real, steps: Real) -> tuple[Fit | None, str]:
    """Fit the exponential approach of the whole curve, or say why there is none."""
    t, c = batch_means(since_s, cents, 200)
    try:
        fit = fit_approach(t, c, steps=steps)
    except SignalError as error:
        return None, error.problem
    tau, end, start = fit.values[:3]
    size, scatter = abs(start - end), float(np.std(fit.residuals))
    if size < max(LEAST_APPROACH_CENTS, 4 * scatter, 4 * float(fit.u[2])):
        return None, "the pitch does not move enough for an exponential to be seen"
    if fit.u[0] > 0.5 * tau:
        return None, "the recording is too short for the time constant of this drift"
    return fit, ""


def _time_constant(fit: Fit | None, refused: str, length_s: float) -> Quantity:
    if fit is None:
        return not_measurable("s", refused)
    scatter = Term("scatter about the exponential", float(fit.u[0]), "A", fit.dof)
    return combine(float(fit.values[0]), "s", [scatter, Term("grid", length_s * 1e-7, "B")])


def _settling(time_s: Real, from_final: Real, u_cents: float, band: float) -> Quantity:
    """Time from which on the pitch stays in the band."""
    outside = np.flatnonzero(np.abs(from_final) > band)
    hop = float(np.median(np.diff(time_s)))
    if not outside.size:
        if time_s[0] > max(5.0, 4 * hop):
            return not_measurable(
                "s", f"already settled when the tone began, {time_s[0]:.0f} s after switch-on"
            )
        return combine(
            max(0.0, float(time_s[0])), "s", [Term("first frame", 2 * hop / math.sqrt(3), "B")]
        )
    last = int(outside[-1])
    if last + 1 == time_s.size:
        return not_measurable("s", "not settled within this recording")
    near = slice(max(0, last - 8), last + 9)
    fit = fit_line(time_s[near], from_final[near])
    pace = max(abs(float(fit.values[1])), 1e-9)
    edge = math.copysign(band, from_final[last])
    step = from_final[last + 1] - from_final[last]
    share = float(np.clip((edge - from_final[last]) / step, 0, 1)) if step else 0.5
    crossing = float(time_s[last] + share * (time_s[last + 1] - time_s[last]))
    scatter = math.hypot(u_cents, float(np.std(fit.residuals)))
    return combine(
        crossing,
        "s",
        [
            Term("pitch at the crossing", min(scatter / pace, float(np.ptp(time_s))), "A"),
            Term("frame grid", float(time_s[last + 1] - time_s[last]) / math.sqrt(12), "B"),
        ],
    )


def _unsettled(
    settling: Quantity,
    time_s: Real,
    residual: Quantity,
    fit: Fit | None,
    length_s: float,
    band: float,
) -> str:
    """Why the pitch is not called settled; empty where it is."""
    if not settling.measurable:
        return settling.reason
    moving = abs(residual.value) / 60 * length_s / 4 if residual.measurable else 0.0
    if moving > band:
        return (
            f"not settled within this recording: still moving {residual.value:+.2f} cents/min "
            "over its last quarter"
        )
    if fit is not None and abs(float(fit.values[1]) - _fitted_end(fit, length_s)) > band:
        return "not settled within this recording: the exponential that fits it has further to go"
    if settling.value > time_s[-1] - TAIL * length_s:
        return "not settled within this recording: within the band only at its very end"
    return ""


def _fitted_end(fit: Fit, length_s: float) -> float:
    """Value of the exponential, without steps, at the end of the recording."""
    tau, end, start = (float(v) for v in fit.values[:3])
    return end + (start - end) * math.exp(-length_s / tau)


def _curve(track: PitchTrack, power_on_s: float, reference_hz: float, final: float) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "time_s": track.time_s - power_on_s,
            "frequency_hz": track.frequency_hz,
            "cents": track.cents(reference_hz) - final,
            "u_cents": track.u_cents(),
        }
    )
