"""The wave of a held note: shape, duty cycle, harmonics and distortion."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field, fields

import numpy as np
from numpy.typing import NDArray

from sigkit.arrays import Real
from sigkit.captures.fitness import Tally, clipped_of
from sigkit.captures.needed import takes_capture
from sigkit.captures.watch import watched
from sigkit.captures.wav import Capture
from sigkit.errors import InputError, SignalError
from sigkit.measures.held_note import (
    gap_note,
    in_hz,
    require_number,
    require_one_note,
    require_tone,
    source_of,
)
from sigkit.measures.steadiness import mean_of, pitch_path
from sigkit.measures.waveform.answers import answers_of, harmonics_table
from sigkit.measures.waveform.harmonics import LEAST_PERIODS, Tone, longest_tone, tone_of
from sigkit.measures.waveform.recorder import MOST_DB, RESPONSE_DB
from sigkit.measures.waveform.result import Period, WaveformResult, period_of
from sigkit.measures.waveform.shape import Verdict, verdict_on
from sigkit.quantity import Quantity
from sigkit.tracks.phase import PhaseTrack
from sigkit.tracks.pitch import track_tone
from sigkit.tracks.recorder import faults_seen
from sigkit.tracks.second_opinion import second_opinion

__all__ = ["WaveformResult", "measure_waveform"]

KEPT_S = 30.0
"""Sound that the wave is read from, from where it begins: a wave needs no more."""
QUIET_SHARE = 0.03
LEAST_S = 0.3
BAND_HZ, LEAST_BAND_HZ = 20_000.0, 100.0
POINTS = 2048
MOVES, MOVES_SOME = 0.1, 0.01
"""Change of the wave within the tone, rms, that forbids an answer, and that is said."""
CLIPPED = "clipped, {how}: the flat tops are not the oscillator's; lower the gain and record again"


@takes_capture
def measure_waveform(
    capture: Capture,
    *,
    band_hz: float = BAND_HZ,
    inverting: bool | None = None,
    nominal_duty: float | None = None,
    response_db: float = RESPONSE_DB,
) -> WaveformResult:
    """Measure the wave of a held note: shape, duty cycle, distortion and harmonics.

    Parameters
    ----------
    capture : Capture
        One held note of one wave of one oscillator, filter open, no resonance, 2 to 30 s; more is
        not read for the wave. Low notes show more harmonics.
    band_hz : float, default 20000
        Harmonics up to here are measured, or up to 0.45 of the sample rate where that is lower.
    inverting : bool, optional
        Whether the way from the oscillator to the file inverts: amplifiers and interfaces may. True
        takes it back. Where it is not known, a pulse of d cannot be told from one of 100 % - d, nor
        a rising saw from a falling one; both are then given as captured.
    nominal_duty : float, optional
        The duty cycle that a pulse should have, in percent, for ``duty_error``.
    response_db : float, default 0.1
        By how much the recorder departs from flat at most, 20 Hz to 20 kHz re 1 kHz, in dB, as it
        is sold or was measured; 0: not at all.

    Returns
    -------
    WaveformResult
        See there for the quantities.

    Raises
    ------
    InputError
        An option out of range.
    SignalError
        No held note of at least 0.3 s and 20 periods.

    See Also
    --------
    sigkit.measure_stability : The pitch of such a note.

    Notes
    -----
    The sound is folded along its own phase, which is followed through drift and wander, and all
    harmonics are solved for by least squares, in overlapping stretches whose scatter is the noise
    [1]_. Shape and duty cycle come from fits of an ideal wave to the complex harmonics, through two
    couplings of one pole below 60 Hz and a low-pass of one to four poles, or one with a smooth
    level and phase; fits are weighed by their likelihood, numbers counted, and what they leave
    widens the interval. Both edges of a pulse go the same way, so that the low-pass that is assumed
    matters only where all harmonics of the pulse are alike, as those of a narrow one at a high
    pitch are.

    THD is that of the harmonics re the fundamental (THD_F); a saw of 880 Hz has 77.49 % up to
    20 kHz, and 80.31 % only in an endless band.

    References
    ----------
    .. [1] IEEE Std 1057-2017 and 1241-2010 fit sines by linear least squares where the frequency is
       known (from memory); here all harmonics at once.
    """
    _require_options(capture, band_hz, inverting, nominal_duty, response_db)
    tally = Tally(capture)
    known = {f.name: getattr(capture, f.name) for f in fields(Capture)}
    heard = _Heard(**known, inner=capture, tally=tally)
    watch = watched(heard)
    track, phase = track_tone(watch)
    require_tone(capture, track, LEAST_S)
    require_one_note(capture, track)
    first, sound = heard.sound()
    own = longest_tone(phase, first / capture.rate, (first + sound.size) / capture.rate)
    if own is None:
        raise SignalError(
            f"No unbroken tone lasts {LEAST_PERIODS} periods.",
            where=capture.path.name,
            remedy="Hold one note of one oscillator, for a second or more.",
        )
    rough_hz = float(np.median(track.frequency_hz[track.voiced]))
    away, terms = mean_of(pitch_path(phase, rough_hz, capture.duration_s))
    del phase  # the largest series of a long capture, and not needed again
    tone = tone_of(sound, first, capture.rate, own, band_hz)
    del sound
    if inverting:
        tone = tone.turned_over()
    verdict = verdict_on(tone.seen())
    why_not = _why_not(tone, tally)
    answers = answers_of(tone, verdict, nominal_duty, float(response_db), why_not)
    seen = faults_seen(capture, watch.watch, float(own.time_s[0]), float(own.time_s[-1]))
    notes = [
        *gap_note(track),
        *_notes(capture, tone, verdict, own, why_not),
        *_fault_note(len(seen)),
        *second_opinion(capture, track),
        *_duty_note(answers.quantities["duty_cycle"], inverting),
    ]
    shape, confidence = verdict.shape, verdict.confidence
    return WaveformResult(
        source=source_of(capture),
        settings={
            "band_hz": band_hz,
            "inverting": inverting,
            "nominal_duty": nominal_duty,
            "response_db": response_db,
        },
        notes=tuple(notes),
        **answers.quantities,
        frequency=in_hz(rough_hz, away, terms),
        shape="mixed" if why_not else shape,
        shape_confidence=0.0 if why_not else confidence,
        evidence={str(name): value for name, value in verdict.evidence.items()},
        direction=_direction(verdict),
        polarity=_polarity(inverting),
        path="" if why_not else _path(verdict),
        thd_harmonics=int(tone.order[-1]),
        thd_band_hz=tone.top_hz,
        harmonics=harmonics_table(tone, verdict),
        period=_period(tone, verdict, why_not),
        tone=tone,
        bounds=answers.bounds,
    )


@dataclass(frozen=True, eq=False)
class _Heard(Capture):
    """A capture that is counted while it passes, and keeps what the wave is read from."""

    inner: Capture = field(kw_only=True)
    tally: Tally = field(kw_only=True)
    kept: list[tuple[int, Real]] = field(default_factory=list, kw_only=True)

    def frame_blocks(self, seconds: float = 10.0) -> Iterator[tuple[int, NDArray[np.float64]]]:
        """Read every channel in blocks, as the capture behind it does."""
        self.kept.clear()
        peak, most = 0.0, KEPT_S * self.rate
        for first, frames in self.inner.frame_blocks(seconds):
            self.tally.add(first, frames)
            sound = np.ascontiguousarray(frames[:, self.channel])
            loud = float(np.abs(sound - sound.mean()).max())
            if loud > peak / QUIET_SHARE:  # what came before was no tone beside this
                self.kept.clear()
            peak = max(peak, loud)
            if loud > QUIET_SHARE * peak and sum(s.size for _, s in self.kept) < most:
                self.kept.append((first, sound))
            yield first, frames

    def read(self, start_s: float = 0.0, stop_s: float | None = None) -> NDArray[np.float64]:
        """Read a stretch, as the capture behind it does."""
        return self.inner.read(start_s, stop_s)

    def sound(self) -> tuple[int, Real]:
        """Hand over the first sample of what was kept, and the sound."""
        parts = self.kept[:1]
        for first, sound in self.kept[1:]:
            if first != parts[-1][0] + parts[-1][1].size:
                break
            parts.append((first, sound))
        self.kept.clear()
        return parts[0][0], np.concatenate([sound for _, sound in parts])


def _require_options(
    capture: Capture,
    band_hz: object,
    inverting: object,
    nominal_duty: object,
    response_db: object,
) -> None:
    require_number("band_hz", band_hz, capture)
    require_number("response_db", response_db, capture)
    if not 0 <= float(str(response_db)) <= MOST_DB:
        raise InputError(
            f"response_db must be from 0 to {MOST_DB:g}; got {response_db}.",
            where=capture.path.name,
            remedy="Give the most that the recorder departs from flat between 20 Hz and 20 kHz, in "
            "dB; leave it out for 0.1.",
        )
    if nominal_duty is not None:
        require_number("nominal_duty", nominal_duty, capture)
    if not float(str(band_hz)) >= LEAST_BAND_HZ:
        raise InputError(
            f"band_hz must be 100 or more; got {band_hz}.",
            where=capture.path.name,
            remedy="Give the upper end of the band in hertz; leave it out for 20 kHz.",
        )
    if nominal_duty is not None and not 0 < float(str(nominal_duty)) < 100:
        raise InputError(
            f"nominal_duty must be between 0 and 100; got {nominal_duty}.",
            where=capture.path.name,
            remedy="Give the duty cycle in percent: 50 for a square.",
        )
    if inverting is not None and not isinstance(inverting, bool):
        raise InputError(
            f"inverting must be True, False or None; got {inverting!r}.",
            where=capture.path.name,
            remedy="Say whether the way from the oscillator to the file inverts; leave it out if "
            "that is not known.",
        )


def _why_not(tone: Tone, tally: Tally) -> str:
    """Say why the capture can't answer anything about its wave; else nothing."""
    clipped = clipped_of(tally)
    if clipped:
        return CLIPPED.format(how=clipped[0].how_much)
    moves = tone.change()
    if moves > MOVES:
        return (
            f"the wave changes within the tone, by {20 * math.log10(moves):.0f} dB of it: two "
            "oscillators beat, or something sweeps or shakes filter or width; take one oscillator, "
            "no modulation"
        )
    return ""


def _notes(
    capture: Capture, tone: Tone, verdict: Verdict, own: PhaseTrack, why_not: str
) -> list[str]:
    notes = [
        f"harmonics 1 to {tone.order[-1]:.0f}, up to {tone.top_hz / 1000:.3g} kHz, from "
        f"{tone.seconds:.1f} s; THD re the fundamental over that band"
    ]
    if why_not:
        return notes
    told = f"shape: {verdict.shape}, {verdict.confidence:.0%} of the evidence"
    direction = _direction(verdict)
    notes.append(f"{told}, {direction} as captured" if direction else told)
    if verdict.shape == "sine":
        notes.append("a closed filter makes a sine of any wave: the shape is that of the capture")
    if path := _path(verdict):
        notes.append(f"allowed for: {path}")
    moves = tone.change()
    if moves > MOVES_SOME:
        notes.append(
            f"from stretch to stretch the wave changes by {20 * math.log10(moves):.0f} dB of it"
        )
    if tone.seconds > 0.9 * KEPT_S and capture.duration_s > KEPT_S * 1.1:
        notes.append(f"the wave is read from {own.time_s[0]:.0f} to {own.time_s[-1]:.0f} s")
    return notes


def _fault_note(count: int) -> list[str]:
    return [f"{count} fault(s) of the recorder within the tone, not taken out"] if count else []


def _duty_note(duty_cycle: Quantity, inverting: bool | None) -> list[str]:
    """Say what the duty cycle is where the way to the file inverts, if that is not known."""
    if inverting is not None or not duty_cycle.measurable:
        return []
    return [
        f"duty cycle as captured; where the way to the file inverts, it is "
        f"{100 - duty_cycle.value:.4g} %: state it with inverting"
    ]


def _direction(verdict: Verdict) -> str:
    if verdict.shape != "saw" or "ramp" not in verdict.kinds:
        return ""
    return "rising" if verdict.kinds["ramp"].share > 0.5 else "falling"


def _polarity(inverting: bool | None) -> str:
    if inverting is None:
        return "as captured; whether the way to the file inverts is not known"
    return "of the oscillator; the way to the file inverts" if inverting else "of the oscillator"


def _path(verdict: Verdict) -> str:
    """Say in words what was allowed for."""
    kind = verdict.kinds.get("pulse" if verdict.shape == "pulse" else "ramp")
    if kind is None or verdict.shape in ("sine", "mixed"):
        return ""
    chain = kind.best.chain
    corner = chain.corner_hz()
    high = f"couplings that together do what one of {chain.coupling_hz():.2g} Hz does"
    poles = {"two pairs": "four poles"}.get(chain.low_pass, chain.low_pass)
    name = "smooth low-pass" if poles == "smooth" else f"low-pass of {poles}"
    if math.isnan(corner):
        return f"{high}, no low-pass 3 dB down below {chain.top_hz / 1000:.3g} kHz"
    return f"{high}, {name} 3 dB down at {corner / 1000:.3g} kHz"


def _period(tone: Tone, verdict: Verdict, why_not: str) -> Period:
    points = max(POINTS, 1 << math.ceil(math.log2(4 * tone.order.size)))
    if verdict.shape == "mixed" or why_not:
        return period_of(tone, None, points)
    if verdict.shape == "sine":
        return period_of(tone, ("sine", 0.5, 0.0, 1.0), points)
    best = verdict.kinds["pulse" if verdict.shape == "pulse" else "ramp"].best
    return period_of(tone, (best.kind, best.share, best.delay, best.size), points)
