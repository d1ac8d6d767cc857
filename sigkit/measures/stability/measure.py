"""Pitch stability of a held note: offset, spread, drift, wander, jitter, jumps, Allan deviation."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

import numpy as np
import pandas as pd

from sigkit.captures.needed import takes_capture
from sigkit.captures.watch import watched
from sigkit.captures.wav import Capture
from sigkit.errors import InputError
from sigkit.measures.held_note import (
    clock_term,
    gap_note,
    in_hz,
    require_number,
    require_one_note,
    require_tone,
    source_of,
)
from sigkit.measures.repeats import drift_of, independent_values
from sigkit.measures.result import Result
from sigkit.measures.stability.allan import COLUMNS, allan_deviation
from sigkit.measures.stability.extents import extents_of, spread_of
from sigkit.measures.stability.mains import MAINS_AT_ENDS, mains_wobble
from sigkit.measures.stability.wander import jitter_of
from sigkit.measures.stability.windows import Windows, windows_of
from sigkit.measures.steadiness import mean_of, noise_lags, pitch_path, slope_of
from sigkit.quantity import Quantity, Term, combine
from sigkit.tracks.bend_or_leap import jumps_of
from sigkit.tracks.changes import changes_and_limit
from sigkit.tracks.phase import PhaseTrack
from sigkit.tracks.pitch import PitchTrack, track_tone
from sigkit.tracks.recorder import LOST, cut_at_faults, known_gaps, recorder_faults, without_faults
from sigkit.tracks.second_opinion import second_opinion
from sigkit.tracks.swings import Vibrato, vibrato_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes

A4_HZ = 440.0
"""Standard tuning frequency (ISO 16:1975)."""
LEAST_S = 0.5
ALLAN_STEP_S, ALLAN_PERIODS = 0.05, 3
SHOWN = 5
HIDES_CENTS = 2.0
"""From here on it is said how large a step must be to stand out."""


@dataclass(frozen=True, kw_only=True, eq=False)
class StabilityResult(Result):
    """Pitch stability of a held note.

    Parameters
    ----------
    frequency : Quantity
        Frequency at the mean of the pitch in cents, Hz.
    offset : Quantity
        That frequency against the nominal one, cents.
    spread : Quantity
        Standard deviation of the pitch over the whole capture, in windows of 0.1 s (6 periods of a
        note below 60 Hz), drift included, the track's own noise taken out, cents. What the window
        takes of wander, of steps and of a steady vibrato of 3 to 15 Hz is given back, as far as the
        slower part tells it; a mains wobble is smoothed and not in here.
    peak_to_peak : Quantity
        Highest less lowest pitch over the whole capture in the same windows, the track's own noise
        taken out, what the window takes given back in the same way, cents; of the pitch at an
        instant it would be more.
    drift : Quantity
        Slope of a straight line through the pitch, cents/min.
    wander : Quantity
        Highest less lowest of the medians of the pitch over whole seconds, drift and steps
        included, cents.
    jitter : Quantity
        Root mean square of the pitch over 0.05 s less its running mean over 1 s, the track's own
        noise and the mains wobble taken out, steps left out, cents.
    mains_wobble : Quantity
        Peak of the modulation of the pitch at the mains frequency or at twice it, whichever is
        larger, cents; without a value where none stands out of the noise, see ``at_most``.
    jumps : DataFrame
        Columns time_s, size_cents, u_cents: steps that stay, faster than 50 ms.
    recorder_faults : DataFrame
        Columns time_s, kind, samples, u_samples, channels: sound that the recorder lost, repeated,
        silenced or spoilt; left out of all numbers. Lost (above zero) and repeated (below) samples
        are known but for whole periods of the tone.
    allan : DataFrame
        Columns tau_s, adev, adev_low, adev_high, noise, edf, floor: overlapping Allan deviation of
        the relative frequency over the longest unbroken tone, its two-sided 95 % interval, the kind
        of noise and the degrees of freedom behind that, and what the recording's own noise would
        show alone.
    nominal_hz : float
        What the offset refers to.
    track : PitchTrack
        The pitch behind it all, with gaps at the faults of the recorder.
    wobble_at_most : tuple of Quantity
        Strongest line where no mains wobble was found; empty where it was found or not looked for.
    """

    test: ClassVar[str] = "stability"

    frequency: Quantity
    offset: Quantity
    spread: Quantity
    peak_to_peak: Quantity
    drift: Quantity
    wander: Quantity
    jitter: Quantity
    mains_wobble: Quantity
    jumps: pd.DataFrame
    recorder_faults: pd.DataFrame
    allan: pd.DataFrame
    nominal_hz: float
    track: PitchTrack
    wobble_at_most: tuple[Quantity, ...] = ()

    def another_capture(self) -> Mapping[str, Term]:
        """Return what the wander seen here may do to another capture's numbers."""
        voiced = self.track.voiced
        cents = self.track.cents(float(self.frequency))[voiced]
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
        if self.wander.measurable:
            sizes["wander"] = relative * float(self.wander)
        if self.jitter.measurable:
            sizes["jitter"] = relative * float(self.jitter)
        dof = max(1.0, for_variance - 1)
        terms = {name: Term(source, u, "A", dof) for name, u in sizes.items() if u > 0}
        drift = drift_of(self.track.time_s[voiced], cents, self.track.window_s)
        if drift.measurable and self.drift.measurable:
            terms["drift"] = Term(source, drift.u, "A", drift.dof)
        return terms

    def at_most(self) -> Mapping[str, Quantity]:
        """Return the strongest line as the bound of a mains wobble that was not found."""
        return dict.fromkeys(["mains_wobble"], *self.wobble_at_most) if self.wobble_at_most else {}

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw pitch in cents over time, jumps and faults of the recorder marked."""
        from sigkit.charts.stability import draw_stability

        return draw_stability(self, ax)


@takes_capture
def measure_stability(
    capture: Capture, *, nominal_hz: float | None = None, mains_hz: float | None = None
) -> StabilityResult:
    """Measure how well a held note keeps its pitch.

    Parameters
    ----------
    capture : Capture
        One held note of one oscillator, 10 to 60 s.
    nominal_hz : float, optional
        The pitch it should have, in Hz; by default the nearest note of the equal-tempered scale
        with A4 = 440 Hz.
    mains_hz : float, optional
        Frequency of the mains, 50 or 60 Hz, at which a wobble is looked for; by default both are
        tried.

    Returns
    -------
    StabilityResult
        See there for the quantities.

    Raises
    ------
    InputError
        A nominal frequency that is not positive, or a mains frequency outside 40 to 70 Hz.
    SignalError
        Less than half a second of tone, or not one held note.

    See Also
    --------
    sigkit.measure_warmup : Drift from switch-on until settled.
    sigkit.track_pitch : The pitch itself.

    Notes
    -----
    All numbers describe the pitch of this capture: their uncertainty is that by additive noise of
    the recording, by the ends of the tone that cannot be seen, and for the frequency by the sound
    card's clock (50 ppm, rectangular). What another capture of the same state may show is kept
    apart, in ``another_capture``. Mean and drift come from differences of phase over 0.05 s, whose
    noise adds up to that of the outermost phases alone; spread and extents from windows of 0.1 s (6
    periods below 60 Hz), whose overlap is allowed for. Jumps and faults of the recorder are told
    apart by the phase: a jump bends it, lost sound moves it.

    References
    ----------
    .. [1] JCGM 100:2008, 4.3.7 and 5.1.2.
    .. [2] W. Riley, Handbook of Frequency Stability Analysis, NIST SP 1065 (2008).
    """
    _require_options(capture, nominal_hz, mains_hz)
    watch = watched(capture)
    track, phase = track_tone(watch)
    require_tone(capture, track, LEAST_S)
    require_one_note(capture, track)
    rough_hz = float(np.median(track.frequency_hz[track.voiced]))
    changes, least_cents = changes_and_limit(phase)
    faults = recorder_faults(capture, watch.watch, phase, changes)
    for gaps in (faults, known_gaps(capture)):
        track = without_faults(track, gaps, capture.rate, rough_hz)
        phase = cut_at_faults(phase, gaps, capture.rate, rough_hz)
    require_tone(capture, track, LEAST_S)
    jumps = jumps_of(changes)
    wobble = mains_wobble(watch.watch.excerpts, capture.rate, phase, mains_hz)
    path = pitch_path(phase, rough_hz, capture.duration_s)
    away, terms = mean_of(path)
    away -= wobble.bent_cents
    at_ends = wobble.at_ends(float(path.width_s.sum()))
    terms += [Term(MAINS_AT_ENDS, at_ends[0], "B")] if at_ends else []
    frequency = in_hz(rough_hz, away, terms)
    reference_hz = frequency.value
    nominal_note: tuple[str, ...] = ()
    if nominal_hz is None:
        nominal_hz = nearest_note_hz(reference_hz)
        nominal_note = (f"offset is from the nearest equal-tempered note, {nominal_hz:.2f} Hz",)
    drift = slope_of(pitch_path(phase, reference_hz, capture.duration_s))
    if drift.measurable:
        more = [Term(MAINS_AT_ENDS, at_ends[1], "B")] if at_ends else []
        drift = combine(drift.value, "cents/min", [*drift.budget, *more, clock_term(drift.value)])
    vibrato = vibrato_of(phase)
    steps_s = jumps["time_s"].to_numpy(np.float64)
    lines_hz = [hz for hz, _ in wobble.lines]
    windows = windows_of(track, reference_hz, capture.duration_s, wobble.lines, vibrato, steps_s)
    peak_to_peak, wander = extents_of(windows)
    # Before the second opinion, whose library takes as much memory as hours of a note.
    jitter = jitter_of(phase, reference_hz, steps_s=steps_s, lines_hz=lines_hz)
    allan = _allan(phase, reference_hz)
    return StabilityResult(
        source=source_of(capture),
        settings={"nominal_hz": nominal_hz, "mains_hz": mains_hz},
        notes=(
            *gap_note(track),
            *_fault_note(faults, capture.rate / rough_hz),
            *second_opinion(capture, track),
            *_hidden_note(least_cents),
            *_vibrato_note(vibrato, windows),
            *([wobble.note] if wobble.note else []),
            *nominal_note,
        ),
        frequency=frequency,
        offset=combine(
            1200 * math.log2(reference_hz / nominal_hz),
            "cents",
            [*terms, clock_term(1200 / math.log(2))],
        ),
        spread=spread_of(windows),
        peak_to_peak=peak_to_peak,
        drift=drift,
        wander=wander,
        jitter=jitter,
        mains_wobble=wobble.peak,
        jumps=jumps,
        recorder_faults=faults,
        allan=allan,
        nominal_hz=nominal_hz,
        track=track,
        wobble_at_most=() if wobble.bound is None else (wobble.bound,),
    )


def nearest_note_hz(frequency_hz: float) -> float:
    """Return the nearest note of the equal-tempered scale with A4 = 440 Hz (ISO 16)."""
    return float(A4_HZ * 2 ** (round(12 * math.log2(frequency_hz / A4_HZ)) / 12))


def _require_options(capture: Capture, nominal_hz: float | None, mains_hz: float | None) -> None:
    if nominal_hz is not None:
        require_number("nominal_hz", nominal_hz, capture)
        if not nominal_hz > 0:
            raise InputError(
                f"nominal_hz must be above 0; got {nominal_hz}.",
                where=capture.path.name,
                remedy="Give the pitch the note should have, in Hz.",
            )
    if mains_hz is not None:
        require_number("mains_hz", mains_hz, capture)
        if not 40 <= mains_hz <= 70:
            raise InputError(
                f"mains_hz must be from 40 to 70; got {mains_hz}.",
                where=capture.path.name,
                remedy="Give the frequency of the mains in hertz: 50 or 60.",
            )


def _hidden_note(least_cents: float) -> tuple[str, ...]:
    """Say which steps would not have been seen."""
    if least_cents <= HIDES_CENTS:
        return ()
    return (
        f"steps of less than {least_cents:.2g} cents may be hidden by the wander, vibrato or "
        "noise of this capture",
    )


def _vibrato_note(vibrato: Vibrato | None, windows: Windows) -> tuple[str, ...]:
    """Say that the pitch swings, and what of that is in the numbers."""
    if vibrato is None:
        return ()
    return (
        f"the pitch swings steadily by ±{vibrato.cents:.2g} cents at {vibrato.hz:.1f} Hz, as with "
        f"a vibrato left on; windows of {windows.window_s:.2g} s leave {windows.left:.2f} of that, "
        "the rest is given back to spread and peak to peak",
    )


def _fault_note(faults: pd.DataFrame, period: float) -> tuple[str, ...]:
    """Say what the recorder did, the first few one by one."""
    if faults.empty:
        return ()
    said = []
    names = ("time_s", "kind", "samples", "u_samples")
    for time_s, kind, samples, u in zip(*(faults[n].tolist() for n in names), strict=True):
        at = f"at {time_s:.3f} s"
        if kind != LOST:
            said.append(f"{kind} of {samples:.0f} samples {at}" if samples > 1 else f"{kind} {at}")
            continue
        other = samples - math.copysign(period, samples)
        sizes = " or ".join(
            f"{abs(n):.0f} {'lost' if n > 0 else 'repeated'}" for n in (samples, other)
        )
        said.append(f"{sizes} (± {max(1.0, 2 * u):.0f}) {at}")
    more = f" and {len(said) - SHOWN} more" if len(said) > SHOWN else ""
    lost = (faults["kind"] == LOST).any()
    rest = f"; samples lost or repeated are known but for periods of {period:.1f}" if lost else ""
    return (f"faults of the recorder, left out: {', '.join(said[:SHOWN])}{more}{rest}",)


def _allan(phase: PhaseTrack, reference_hz: float) -> pd.DataFrame:
    """Allan deviation over the longest unbroken tone, up to a quarter of it."""
    number, counts = np.unique(phase.tone, return_counts=True)
    own = phase.tone == number[np.argmax(counts)]
    t, cycles, u_cycles = phase.time_s[own], phase.cycles[own], phase.u_cycles[own]
    step_s = max(ALLAN_STEP_S, ALLAN_PERIODS / reference_hz)
    at = np.arange(t[0], t[-1], step_s)
    if at.size < 9:
        return pd.DataFrame(columns=COLUMNS)
    rest = np.interp(at, t, cycles - reference_hz * t) / reference_hz
    at_sample, next_sample = noise_lags(phase)
    shared = (2 * at_sample + next_sample) / 3
    u_s = math.sqrt(float(np.mean(u_cycles**2)) * shared) / reference_hz
    octaves = int(math.log2((at.size - 1) / 8)) + 1
    return allan_deviation(rest, step_s, 2 * step_s * 2.0 ** np.arange(octaves), u_phase_s=u_s)
