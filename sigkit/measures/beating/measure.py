"""Two oscillators sounding together: both pitches, how fast they beat, and whether they lock."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
import pandas as pd

from sigkit.captures.needed import takes_capture
from sigkit.captures.wav import Capture
from sigkit.errors import SignalError
from sigkit.measures.beating.locking import Sweep, find_sweep, locking_width_of
from sigkit.measures.beating.numbers import (
    CENTS,
    Pair,
    another_capture_of,
    curve_of,
    drift_in,
    mean_pair,
    parts_of,
    wander_of,
)
from sigkit.measures.beating.order import held_of, order_by_solos, which_is_which
from sigkit.measures.held_note import clock_term, source_of
from sigkit.measures.result import Result
from sigkit.quantity import Quantity, Term, combine, not_measurable
from sigkit.tracks.beats import BeatWindow, track_beats

if TYPE_CHECKING:
    from matplotlib.axes import Axes


@dataclass(frozen=True, kw_only=True, eq=False)
class BeatingResult(Result):
    """Two oscillators that sound together in one capture.

    Parameters
    ----------
    frequency_1, frequency_2 : Quantity
        Frequency of each oscillator at the mean of its pitch in cents, over the parts where both
        are told apart, Hz. Oscillator 1 is the lower one, unless ``sign_known``.
    beat_rate : Quantity
        ``abs(n * frequency_1 - m * frequency_2)`` for a ratio m:n of the frequencies, Hz.
    detune : Quantity
        Oscillator 2 against the simple ratio to oscillator 1, cents.
    beat_wander : Quantity
        Highest less lowest detune within 60 s (within the part where it is shorter), cents. Windows
        of 2 s, less six periods of the common fundamental at either end, see it, by a parabola.
    drift_1, drift_2 : Quantity
        Slope of a straight line through the pitch of each oscillator, cents/min.
    locking_width : Quantity
        Range of fine tune within which the beating stops, cents; from a slow sweep through it.
    curve : DataFrame
        Columns time_s, frequency_1_hz, u_1_hz, frequency_2_hz, u_2_hz, detune_cents,
        u_detune_cents, beat_hz: one row per window of about 2 s; nan where two oscillators are not
        told apart.
    parts : DataFrame
        Columns start_s, stop_s, kind: ``two oscillators``, ``two oscillators that pull each
        other``, ``one oscillator or locked`` or ``no tone``, in order and without gaps.
    ratio : tuple of int
        Frequency of oscillator 2 to that of oscillator 1 as whole numbers, such as (1, 1) for a
        unison, (3, 2) for a fifth, (2, 1) for an octave.
    sign_known : bool
        Whether each oscillator is also heard alone, so that 1 is the one heard alone first, and
        the sign of ``detune`` says which is sharp. Beats alone give its size, not its sign.
    """

    test: ClassVar[str] = "beating"

    frequency_1: Quantity
    frequency_2: Quantity
    beat_rate: Quantity
    detune: Quantity
    beat_wander: Quantity
    drift_1: Quantity
    drift_2: Quantity
    locking_width: Quantity
    curve: pd.DataFrame
    parts: pd.DataFrame
    ratio: tuple[int, int]
    sign_known: bool
    largest_locking: Quantity | None = None
    """Upper bound of a locking width that is too small to be seen; None where nothing bounds it."""
    hold_s: tuple[float, float] = (0.0, math.inf)
    """From and to when both oscillators are left alone, which means, wander and drift are of."""

    def another_capture(self) -> Mapping[str, Term]:
        """Return what the wander seen here may do to another capture's numbers."""
        if not self.detune.measurable:
            return {}
        known = self.curve.dropna()
        return another_capture_of(known[known["time_s"].between(*self.hold_s)], self.beat_wander)

    def at_most(self) -> Mapping[str, Quantity]:
        """Return the upper bound of a locking width too small to be seen."""
        if self.largest_locking is None:
            return {}
        return {"locking_width": self.largest_locking}

    def quantities(self) -> dict[str, Quantity]:
        """Return the answers by name; the bound of the locking width is not one of them."""
        return {n: q for n, q in super().quantities().items() if n != "largest_locking"}

    def to_dict(self) -> dict[str, Any]:
        """Return everything, ready for JSON, with units and a schema version."""
        return super().to_dict() | {"ratio": list(self.ratio), "sign_known": self.sign_known}

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw both pitches in cents over time, and their difference."""
        from sigkit.charts.beating import draw_beating

        return draw_beating(self, ax)


LEAST_HELD = 3
"""Windows without a turn of the fine tune, for numbers of the held oscillators."""
MOVED = "the fine tune moves through this capture; hold it still for 10 s for these"
PULLED = "the oscillators pull each other: their beat is uneven, its mean rate is given"
PULLED_ONLY = (
    "two oscillators that pull each other too much to be told apart: set them further apart, or "
    "record for longer"
)
NOT_TWO = "one oscillator or locked: no two pitches to tell apart"
HELD_NUMBERS = {
    "frequency_1": "Hz",
    "frequency_2": "Hz",
    "beat_rate": "Hz",
    "detune": "cents",
    "beat_wander": "cents",
    "drift_1": "cents/min",
    "drift_2": "cents/min",
}
SIGN_UNKNOWN = (
    "beats give the size of the detune, not its sign: oscillator 1 is the lower one here; record "
    "each oscillator alone right after to know which is sharp"
)
SIGN_KNOWN = "oscillator 1 is the one heard alone first, so the sign of the detune is known"


@takes_capture
def measure_beating(capture: Capture) -> BeatingResult:
    """Measure two oscillators that sound together.

    Parameters
    ----------
    capture : Capture
        Two oscillators in unison, a fifth or an octave apart, at 55 Hz to 2 kHz, held for 10 to
        60 s. For the locking width the fine tune of one moves slowly and evenly through zero beat.
        Each oscillator alone right after, 5 s or longer, gives the sign of the detune.

    Returns
    -------
    BeatingResult
        See there for the quantities. Where there is one oscillator, or two that are locked, they
        are not measurable, with the reason.

    Raises
    ------
    SignalError
        No tone at all, or samples that are not numbers.

    See Also
    --------
    sigkit.measure_stability : One oscillator by itself.

    Notes
    -----
    Both pitches come from one least-squares fit to all harmonics in windows of 2 s, in which only
    the phases of the two fundamentals are searched and all amplitudes are solved for (variable
    projection [1]_); longer windows where the beat is too slow for those. A stretch that stands
    still is fitted as a whole, at the Cramer-Rao bound of two harmonic signals with all amplitudes
    and phases unknown [2]_. Two oscillators are named only where they leave almost nothing of what
    a single tone of moving pitch leaves, beyond chance by the Bayesian information criterion, and
    where their harmonics beat faster the higher they are, as no tremolo does.

    The sound card's clock (50 ppm, rectangular) is in both frequencies and the beat rate; it
    cancels in the detune.

    References
    ----------
    .. [1] G. Golub, V. Pereyra, "The differentiation of pseudo-inverses and nonlinear least
       squares problems whose variables separate", SIAM J. Numerical Analysis 10 (1973), 413-432.
    .. [2] D. Rife, R. Boorstyn, "Multiple tone parameter estimation from discrete-time
       observations", Bell System Technical J. 55 (1976), 1389-1410.
    .. [3] JCGM 100:2008, 4.3.7, 5.1.2 and 5.2.2.
    """
    from threadpoolctl import threadpool_limits  # type: ignore[import-untyped]

    # Thousands of small products: threads would cost more than they save.
    with threadpool_limits(1):
        return _measure(capture)


def _measure(capture: Capture) -> BeatingResult:
    windows = track_beats(capture)
    if all(w.kind == "none" for w in windows):
        raise SignalError(
            "There is no tone with a pitch between 25 and 2500 Hz in this capture.",
            where=capture.path.name,
            remedy="Hold one note of both oscillators, loud enough, in an octave up to 2 kHz.",
        )
    both = [w for w in windows if w.kind == "two"]
    if not both:
        return _without(capture, windows)
    usual, _ = Counter(w.steps for w in both).most_common(1)[0]
    other = {id(w) for w in both if w.steps != usual}
    windows = [replace(w, kind="unclear") if id(w) in other else w for w in windows]
    both = [w for w in windows if w.kind == "two"]
    return _with(capture, windows, both)


def _without(capture: Capture, windows: Sequence[BeatWindow]) -> BeatingResult:
    reason = f"{NOT_TWO}; sound both oscillators, slightly out of tune, for 10 s or longer"
    if any(w.kind == "pulling" for w in windows):
        reason = PULLED_ONLY

    def missing(unit: str) -> Quantity:
        return not_measurable(unit, reason)

    absent: dict[str, Any] = {name: missing(unit) for name, unit in HELD_NUMBERS.items()}
    return BeatingResult(
        source=source_of(capture),
        settings={},
        notes=(),
        **absent,
        locking_width=missing("cents"),
        curve=curve_of(windows, [False] * len(windows)),
        parts=parts_of(windows, capture.duration_s),
        ratio=(1, 1),
        sign_known=False,
    )


def _with(
    capture: Capture, windows: Sequence[BeatWindow], both: Sequence[BeatWindow]
) -> BeatingResult:
    steps = both[0].steps
    unison = steps[0] == steps[1]
    solos = order_by_solos(windows)
    sweep = find_sweep(both)
    still = held_of(both, sweep)
    turned, sure = which_is_which(windows, sweep, solos)
    width, bound = locking_width_of(capture, windows, sweep)
    is_still = [any(w is s for s in still) for w in windows]
    sign_known = not unison or all(k for k, s in zip(sure, is_still, strict=True) if s)
    if not still:
        sign_known = not unison or solos is not None
    swapped = any(t for t, s in zip(turned, is_still, strict=True) if s)
    if swapped and not sign_known:
        turned, swapped = [not t for t in turned], False
    return BeatingResult(
        source=source_of(capture),
        settings={},
        notes=tuple(_notes(sign_known, still, both, sweep, steps)),
        **_held_numbers(capture, both, still, swapped),
        locking_width=width,
        curve=curve_of(windows, turned),
        parts=parts_of(windows, capture.duration_s),
        ratio=(steps[1], steps[0]),
        sign_known=sign_known,
        largest_locking=bound,
        hold_s=(still[0].centre_s, still[-1].centre_s) if still else (0.0, math.inf),
    )


def _held_numbers(
    capture: Capture, both: Sequence[BeatWindow], still: Sequence[BeatWindow], swapped: bool
) -> dict[str, Quantity]:
    """Numbers of two oscillators whose fine tune is left alone."""
    if len(still) < LEAST_HELD <= len(both):
        return {name: not_measurable(unit, MOVED) for name, unit in HELD_NUMBERS.items()}
    steps = still[0].steps
    order = (1, 0) if swapped else (0, 1)
    pair = mean_pair(capture, still, ends_s=_unseen_ends(both, still))
    first, second = (_frequency(pair, steps[i], i) for i in order)
    return {
        "frequency_1": first,
        "frequency_2": second,
        "beat_rate": _beat(pair, steps),
        "detune": _detune(pair, swapped),
        "beat_wander": wander_of(still),
        "drift_1": drift_in(still, order[0], pair.reference_hz),
        "drift_2": drift_in(still, order[1], pair.reference_hz),
    }


def _unseen_ends(both: Sequence[BeatWindow], still: Sequence[BeatWindow]) -> float:
    """For how long the hold may go on where its windows end but two oscillators do not, s."""
    first = next(i for i, w in enumerate(both) if w is still[0])
    last = next(i for i, w in enumerate(both) if w is still[-1])
    ends = [0.0]
    if first:
        ends.append(still[0].centre_s - both[first - 1].centre_s)
    if last < len(both) - 1:
        ends.append(both[last + 1].centre_s - still[-1].centre_s)
    return max(ends)


def _notes(
    sign_known: bool,
    still: Sequence[BeatWindow],
    both: Sequence[BeatWindow],
    sweep: Sweep | None,
    steps: tuple[int, ...],
) -> list[str]:
    notes = []
    if steps[0] != steps[1]:
        notes.append(
            f"oscillator 1 is the lower note; detune is from the ratio {steps[1]}:{steps[0]}"
        )
    else:
        notes.append(SIGN_KNOWN if sign_known else SIGN_UNKNOWN)
    if any(w.pulled for w in both):
        notes.append(PULLED)
    if sweep is not None:
        notes.append(
            f"fine tune swept from {sweep.start_s:.0f} to {sweep.stop_s:.0f} s, "
            f"{60 * sweep.slope:.1f} cents/min"
        )
    if LEAST_HELD <= len(still) < len(both):
        notes.append(
            f"means, wander and drift are of the hold from {still[0].start_s:.1f} to "
            f"{still[-1].stop_s:.1f} s"
        )
    return notes


def _frequency(pair: Pair, step: int, tone: int) -> Quantity:
    value = step * pair.reference_hz * 2 ** (float(pair.cents[tone]) / 1200)
    return combine(
        value,
        "Hz",
        [
            Term("noise", math.sqrt(pair.noise[tone, tone]) * value / CENTS, "A"),
            Term(
                "wander between the windows",
                math.sqrt(pair.unseen[tone, tone]) * value / CENTS,
                "A",
                pair.unseen_dof,
            ),
            clock_term(value),
        ],
    )


def _difference(covariance: np.ndarray) -> float:
    turned = np.array([-1.0, 1.0])
    return math.sqrt(max(0.0, float(turned @ covariance @ turned)))


def _unseen(pair: Pair, per_cent: float = 1.0) -> Term:
    """Return what the windows do not see of the difference of both pitches."""
    u = _difference(pair.unseen) * per_cent
    return Term("wander between the windows", u, "A", pair.unseen_dof)


def _detune(pair: Pair, swapped: bool) -> Quantity:
    value = float(pair.cents[1] - pair.cents[0]) * (-1 if swapped else 1)
    return combine(
        value,
        "cents",
        [
            Term("noise", _difference(pair.noise), "A"),
            _unseen(pair),
        ],
    )


def _beat(pair: Pair, steps: tuple[int, ...]) -> Quantity:
    hz = pair.reference_hz * 2 ** (pair.cents / 1200)
    common = math.lcm(*steps)
    value = common * abs(float(hz[1] - hz[0]))
    per_cent = common * pair.reference_hz / CENTS
    return combine(
        value,
        "Hz",
        [
            Term("noise", _difference(pair.noise) * per_cent, "A"),
            _unseen(pair, per_cent),
            clock_term(value),
        ],
    )
