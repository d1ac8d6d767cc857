"""Sudden changes of a tone's phase: a bend is a step of pitch, a leap is sound lost or repeated.

A step of pitch bends the phase and leaves it unbroken; samples that a recorder loses or repeats
move the phase and leave its slope. Both are told from noise and wander by what lines and parabolas
through the phase on both sides of an instant do not explain there.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
from scipy import ndimage

from sigkit.arrays import Real
from sigkit.tracks.bend_or_leap import CENTS, FASTEST_S, LEAST_CENTS, STANDS_OUT, Change
from sigkit.tracks.bends import BEND, LEAP, PLAIN_BEND, ROUNDING, Filters, middle_of_peak
from sigkit.tracks.phase import PhaseTrack
from sigkit.tracks.swings import without_swings

GRID_S = 0.005
SIDE_S, SIDE_PERIODS = 0.1, 8
"""Length of phase looked at on either side of an instant."""
NEAR_S = 0.06
"""The same close to it, where wander has had no time to go far."""
BESIDE_S, BESIDE_PERIODS = 0.025, 2.5
"""What is left out on either side: half of the slowest step, and the reach of the bands."""
STAYS_S = 0.25
"""How long half of a step has to stay."""
SHARP = 0.7
"""Least share of a step that parabolas on both sides leave to it."""
USUAL_S = 3.0
"""Stretch whose median response is what usually happens around an instant."""
ABRUPT = 0.05
"""Largest rms rest beside a leap, as a share of it."""
ROUND_S = 0.0006
"""By how much a bend may be rounded off, in seconds of its step; one over 87 ms is."""
ROUND_CLEAR = 3.0
"""Scales of what is usual by which more than that stands out."""
LEAST_TONE = 8
"""Shorter pieces of tone, in points of the grid, belong to a break."""
REST = 0.05
"""Share of a change below which another one beside it is what it left."""
MOST = 500
MOST_ROUNDS = 3
LONGEST_BREAK_S = 0.5


def find_changes(phase: PhaseTrack) -> list[Change]:
    """Find the sudden changes of a tone, in order of time; see `changes_and_limit`."""
    return changes_and_limit(phase)[0]


def changes_and_limit(phase: PhaseTrack) -> tuple[list[Change], float]:
    """Find the sudden changes of a tone, and how large a step must be to stand out.

    Parameters
    ----------
    phase : PhaseTrack
        Phase from `track_tone`.

    Returns
    -------
    list of Change
        Steps and leaps within tones, and every break of less than half a second between tones, in
        order of time.
    float
        Steps smaller than this, in cents, may be hidden by noise, wander or vibrato: the largest
        scatter that nine tenths of the capture have, times 5.5; nan without a tone.

    Notes
    -----
    Steady swings at the mains frequencies are taken out first. Sides of 0.1 s let noise hide
    little, sides of 0.06 s close to the instant let wander hide little: both are tried.
    A tone is broken where its phase turns by a fiftieth of a period at once; smaller changes are
    found within it, down to 0.075 s (6.5 periods of a low note) from its ends. Changes that follow
    each other within 0.15 s are not told apart with certainty. The clearest is found first and
    taken out of the phase before the next is looked for.
    """
    still = without_swings(phase)
    found, least_cents = _changes_in(still)
    for _ in range(MOST_ROUNDS):
        steps = [change for change in found if change.kind == "step"]
        if not steps:
            break
        # A swing is known better once the steps are known.
        bends = sum(
            step.size * step.before_hz / CENTS * np.maximum(phase.time_s - step.time_s, 0.0)
            for step in steps
        )
        still = without_swings(replace(phase, cycles=phase.cycles - bends))
        again, least_cents = _changes_in(replace(still, cycles=still.cycles + bends))
        done = len(again) <= len(found)
        found = again
        if done:
            break
    return found, least_cents


def _changes_in(phase: PhaseTrack) -> tuple[list[Change], float]:
    """Find the changes of a phase without swings."""
    edges = np.flatnonzero(np.diff(phase.tone)) + 1
    bounds = np.concatenate([[0], edges, [phase.tone.size]]).tolist()
    tones = [
        _Tone(phase.time_s[a:b], phase.cycles[a:b], phase.u_cycles[a:b])
        for a, b in itertools.pairwise(bounds)
        if b - a > 3
    ]
    found = [change for tone in tones for change in tone.changes()]
    tones = [tone for tone in tones if tone.phase.size > LEAST_TONE]
    for one, other in itertools.pairwise(tones):
        if other.time_s[0] - one.time_s[-1] < LONGEST_BREAK_S:
            found.append(_break_between(one, other))
    limits = [tone.least_cents for tone in tones if math.isfinite(tone.least_cents)]
    least = max(LEAST_CENTS, *limits) if limits else math.nan
    return sorted(found, key=lambda change: change.time_s), least


class _Tone:
    """Phase of one unbroken tone on an even grid, less its mean pitch."""

    def __init__(self, time_s: Real, cycles: Real, u_cycles: Real) -> None:
        self.hz = float((cycles[-1] - cycles[0]) / (time_s[-1] - time_s[0]))
        self.step_s = max(GRID_S, 1 / self.hz)
        count = 1 + int((time_s[-1] - time_s[0]) / self.step_s)
        self.time_s = time_s[0] + np.arange(count) * self.step_s
        self.phase = np.interp(self.time_s, time_s, cycles - self.hz * time_s)
        self.u = float(np.median(u_cycles))
        self.side = math.ceil(max(SIDE_S, SIDE_PERIODS / self.hz) / self.step_s)
        self.reach = math.ceil(BESIDE_PERIODS / self.hz / self.step_s)
        self.beside = max(self.reach, math.ceil(BESIDE_S / self.step_s))
        # The shorter sides are for the tone's ends.
        self.scales = [
            [
                Filters.of(side, self.reach, self.beside, self.step_s)
                for side in (self.side // 2, self.side)
            ]
        ]
        if self.reach < self.beside:
            near = math.ceil(NEAR_S / self.step_s)
            self.scales.append([Filters.of(near, self.reach, self.reach, self.step_s)])
        self.half = self.scales[0][-1].half
        self.u_leap = self.u * float(self.scales[0][-1].gain[LEAP])
        self.least_cents = math.nan

    def changes(self) -> list[Change]:
        """Find leaps and bends, the clearest first, taking each out before the next."""
        count = self.time_s.size
        if count < 2 * self.scales[0][0].half + 3:
            return []
        rest, done = self.phase.copy(), np.zeros(count, dtype=bool)
        responses = self._responses(rest, 0, count)
        usual = self._usual(responses)
        self.u_leap = float(np.median(usual[0, LEAP]))
        found: list[tuple[Change, Real]] = []
        for _ in range(MOST):
            clear = np.max(np.abs(responses[:, :2]) / usual[:, :2], axis=1)
            clear[:, done] = 0.0
            scale, at = np.unravel_index(np.argmax(clear), clear.shape)
            if not clear[scale, at] > STANDS_OUT:
                break
            near = slice(max(0, at - self.half), min(at + self.half + 1, count))
            explained = self._explained(rest, near, int(scale), responses[scale], usual[scale])
            if explained is None:
                done[near] = True
                continue
            change, shape = explained
            place = self._place(change.time_s)
            done[max(0, place - self.reach) : place + self.reach + 1] = True
            rest -= shape
            found.append((change, shape))
            wide = slice(max(0, place - 2 * self.half), min(place + 2 * self.half + 1, count))
            responses[:, :, wide] = self._responses(rest, wide.start, wide.stop)
            del usual  # hours of it: not two at once
            usual = self._usual(responses)
        self.least_cents = self._least_cents(usual)
        return self._kept(found, usual[0])

    def _least_cents(self, usual: Real) -> float:
        """Step that stands out in nine tenths of the tone, in cents."""
        scale = np.min(usual[:, BEND], axis=0)
        return STANDS_OUT * float(np.quantile(scale[np.isfinite(scale)], 0.9)) * CENTS / self.hz

    def _kept(self, found: list[tuple[Change, Real]], usual: Real) -> list[Change]:
        """Leave out what is slower than its name says, does not stay, or is another's rest."""
        near_s, kept, base = self.half * self.step_s, [], self.phase
        steps = [(c, shape) for c, shape in found if c.kind == "step"]
        slips = [(c, shape) for c, shape in found if c.kind == "slip"]
        for change, shape in steps:
            if any(self._is_rest(change, other) for other, _ in found if other is not change):
                continue
            if self._is_step(change, self.phase - _beside(change, steps, near_s), usual):
                kept.append(change)
                base = base - shape
        real = list(kept)
        for change, shape in slips:
            others = [*real, *(slip for slip, _ in slips if slip is not change)]
            alone = base - _beside(change, slips, near_s)
            rest = any(self._is_rest(change, other) for other in others)
            if not rest and self._is_abrupt(change, alone - shape):
                kept.append(change)
        return kept

    def _is_rest(self, change: Change, other: Change) -> bool:
        """Whether a change is what another one near it leaves, or the way back from it."""
        away_s = abs(change.time_s - other.time_s)
        leap, of_other = (
            abs(c.size) * (1 if c.kind == "slip" else FASTEST_S * self.hz / CENTS)
            for c in (change, other)
        )
        if change.kind == other.kind == "step" and away_s < STAYS_S:
            back = abs(other.size + change.size) < 0.5 * abs(change.size)
            return back or leap < REST * of_other
        share = 1.0 if change.kind != other.kind else 5 * REST
        return away_s < self.half * self.step_s and leap < share * of_other

    def _place(self, time_s: float) -> int:
        return int(np.clip(round((time_s - self.time_s[0]) / self.step_s), 0, self.phase.size - 1))

    def _responses(self, rest: Real, first: int, last: int) -> Real:
        """Responses of the filters at points of the grid, zero at the ends, shape (., 4, .)."""
        out = np.zeros((len(self.scales), 4, last - first), np.float32)
        for scale, banks in enumerate(self.scales):
            for bank in banks:
                begin, end = max(first, bank.half), min(last, rest.size - bank.half)
                if end <= begin:
                    continue
                part = rest[begin - bank.half : end + bank.half]
                inside = slice(begin - first, end - first)
                for row, weights in enumerate(bank.rows):
                    out[scale, row, inside] = np.correlate(part, weights, "valid")
        return out

    def _noise(self) -> Real:
        """Noise of the responses on the whole grid: infinite at the ends."""
        noise = np.full((len(self.scales), 4, self.phase.size), np.inf, np.float32)
        for scale, banks in enumerate(self.scales):
            for bank in banks:
                inside = slice(bank.half, max(bank.half, self.phase.size - bank.half))
                noise[scale, :, inside] = (self.u * bank.gain)[:, None]
        return noise

    def _usual(self, responses: Real) -> Real:
        """Scale of the responses around each instant: their noise, or what is usual there."""
        every = max(1, self.half // 4)
        size = 2 * round(USUAL_S / 2 / (every * self.step_s)) + 1
        usual = self._noise()
        for scale, row in np.ndindex(usual.shape[:2]):
            at = np.flatnonzero(np.isfinite(usual[scale, row]))[::every]
            if not at.size:
                continue
            seen = np.abs(responses[scale, row, at])
            around = 1.4826 * ndimage.median_filter(seen, size, mode="mirror")
            around = np.interp(np.arange(usual.shape[2]), at, around)
            np.maximum(usual[scale, row], around, out=usual[scale, row], casting="same_kind")
        return usual

    def _explained(
        self, rest: Real, near: slice, scale: int, responses: Real, usual: Real
    ) -> tuple[Change, Real] | None:
        """Return the leap or the bend that explains a place better, with its shape."""
        least, best = float(np.sum((responses[:2, near] / usual[:2, near]) ** 2)), None
        for kind, row in (("slip", LEAP), ("step", PLAIN_BEND)):
            at = near.start + middle_of_peak(np.abs(responses[row, near]) / usual[row, near])
            size, time_s = float(responses[row, at]), float(self.time_s[at])
            if kind == "step" and size:
                # Where the lines of both sides meet.
                reach_s = (self.reach if scale else self.beside) * self.step_s
                time_s += float(np.clip(-responses[LEAP, at] / size, -reach_s, reach_s))
            after = self.time_s - time_s
            shape = size * (np.maximum(after, 0.0) if kind == "step" else (after >= 0))
            left = self._responses(rest - shape, near.start, near.stop)
            unexplained = float(np.sum((left[scale, :2] / usual[:2, near]) ** 2))
            if unexplained < least:
                least, best = unexplained, (self._change(kind, time_s, size, usual[:, at]), shape)
        return best

    def _change(self, kind: str, time_s: float, size: float, usual: Real) -> Change:
        at, leap = self._place(time_s), float(usual[LEAP])
        before, after = (self.hz + self._pace(at, side, self.side) for side in (-1, 1))
        if kind == "slip":
            return Change("slip", time_s, size, leap, before, after, u_leap_cycles=leap)
        cents, u = size * CENTS / self.hz, float(usual[PLAIN_BEND]) * CENTS / self.hz
        return Change("step", time_s, cents, u, before, after, u_leap_cycles=leap)

    def _pace(self, at: int, side: int, length: int) -> float:
        """Mean pitch beside a place less that of the tone, in Hz."""
        near, far = np.clip(
            [at + side * self.beside, at + side * (self.beside + length)], 0, self.phase.size - 1
        ).tolist()
        if near == far:
            near = at
        return float((self.phase[far] - self.phase[near]) / ((far - near) * self.step_s))

    def _is_abrupt(self, leap: Change, without: Real) -> bool:
        """Whether the phase lies still on both sides of a leap that stands out."""
        at = self._place(leap.time_s)
        near = np.arange(max(0, at - self.half), min(at + self.half + 1, without.size))
        near = near[np.abs(near - at) > self.reach]
        rest, t = without[near], self.time_s[near] - leap.time_s
        rest = rest - np.polynomial.Polynomial.fit(t, rest, 2)(t)
        beyond = max(0.0, float(np.mean(rest**2)) - 2 * self.u**2)
        clear = abs(leap.size) > STANDS_OUT * leap.u_size
        return clear and math.sqrt(beyond) < ABRUPT * abs(leap.size)

    def _is_step(self, step: Change, alone: Real, usual: Real) -> bool:
        """Whether a step stands out, is faster than 50 ms, and stays."""
        at, to_cents = self._place(step.time_s), CENTS / self.hz
        if abs(step.size) < max(LEAST_CENTS, STANDS_OUT * step.u_size):
            return False
        stays = max(1, round(STAYS_S / self.step_s) - self.beside)
        lasting = (self._pace(at, 1, stays) - self._pace(at, -1, stays)) * to_cents
        responses = self._responses(alone, at, at + 1)
        sharp = float(responses[0, BEND, 0]) * to_cents
        if not (lasting / step.size > 0.5 and sharp / step.size > SHARP):
            return False
        size_hz = step.size / to_cents
        # By how much the bend is rounded off just beside it: in cycles, so over Hz in seconds.
        rounding, u = float(responses[0, ROUNDING, 0]), float(usual[ROUNDING, at])
        return rounding / size_hz < ROUND_S + ROUND_CLEAR * u / abs(size_hz)


def _beside(change: Change, others: list[tuple[Change, Real]], near_s: float) -> Real | float:
    """Sum of the shapes of changes of like size close to one; smaller ones are its own rest."""
    return sum(
        shape
        for other, shape in others
        if 0 < abs(other.time_s - change.time_s) < near_s
        and abs(other.size) > 0.5 * abs(change.size)
    )


def _break_between(one: _Tone, other: _Tone) -> Change:
    """Compare the ends of two tones."""
    begin, end = float(one.time_s[-1]), float(other.time_s[0])
    # Where the tones overlap, one of them goes on into the other's pitch.
    both_s = max(0.0, begin - end)
    (before, u_before), (after, u_after) = _slope(one, -1, both_s), _slope(other, 1, both_s)
    u_hz = math.hypot(u_before, u_after)
    leap = max(one.u_leap, other.u_leap)
    return Change(
        "break",
        (begin + end) / 2,
        CENTS * math.log(after / before),
        CENTS * u_hz / before,
        before,
        after,
        end - begin,
        leap,
    )


def _slope(tone: _Tone, side: int, beyond_s: float) -> tuple[float, float]:
    """Pitch over the last or the first part of a tone, with standard uncertainty, in Hz."""
    clear = tone.reach + math.ceil(beyond_s / tone.step_s)
    clear = clear if tone.phase.size > clear + 3 else 0
    last = tone.phase.size - clear
    part = slice(max(0, last - tone.side), last) if side < 0 else slice(clear, clear + tone.side)
    t, phase = tone.time_s[part], tone.phase[part]
    if t.size < 3:
        return tone.hz, tone.hz
    t = t - t.mean()
    slope = float(t @ phase) / float(t @ t)
    scatter = math.hypot(tone.u, float(np.std(phase - phase.mean() - slope * t)))
    return tone.hz + slope, scatter / math.sqrt(float(t @ t))
