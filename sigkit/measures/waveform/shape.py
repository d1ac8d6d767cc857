"""Which wave a tone is: what each of the usual ones leaves unexplained, and how sure that is."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from sigkit.arrays import Complex
from sigkit.measures.waveform.fit import Fit, Seen
from sigkit.measures.waveform.models import NUMBERS, Kind
from sigkit.measures.waveform.starts import FEW, every_low_pass, starts_of

Shape = Literal["sine", "triangle", "saw", "pulse", "mixed"]

EVERY: tuple[Kind, ...] = ("pulse", "ramp")
SAW_SHARE = 0.08
"""A ramp that rises or falls within less of its period is called a saw."""
REAL_WAVE = 0.02
"""How far a real wave of one kind usually is from the ideal one, rms re the wave; of sines made by
bending a triangle twice that."""
MIXED = 0.08
"""What the best single wave leaves of a mixed one, rms re the wave, from here on."""
MOST_VISIBLE = 12
"""Harmonics that speak for themselves: more of them do not make a real wave more ideal."""
VISIBLE = 9.0
"""Power over noise from which a harmonic is visible."""
SPEAKS = 0.03
"""A harmonic that would show if it were so large, re the strongest, speaks by its absence."""
CLOSED, TAKEN, FEWEST = 2.5, 3, 5
"""A low-pass below this many times the pitch makes all waves alike; harmonics that its numbers take
up; and in a band with fewer harmonics than the last all waves are alike too."""
HOPELESS, NOTHING_LIKE = 0.06, 0.2
"""What a kind may leave of few harmonics, rms re the wave, to be fitted to all: beside a better
one, and at all."""
PURE, NEARLY_PURE = 0.01, 0.06
"""A wave with less beside its fundamental, rms, is a sine, whatever might explain it, and whatever
closed filter might have made it."""


@dataclass(frozen=True, eq=False)
class Explained:
    """One kind of wave, weighed over all low-passes.

    Parameters
    ----------
    kind : str
        Kind of wave.
    best : Fit
        The likeliest fit.
    share, u_share : float
        Weighted mean of its share and standard uncertainty, by noise and misfit and by the choice
        of the low-pass.
    u_choice : float
        The part by the choice alone.
    misfit : float
        What the best fit leaves beyond the noise, rms re the wave.
    """

    kind: Kind
    best: Fit
    share: float
    u_share: float
    u_choice: float
    misfit: float


@dataclass(frozen=True, eq=False)
class Verdict:
    """The shape of a wave.

    Parameters
    ----------
    shape : str
        The likeliest.
    confidence : float
        Its share of the evidence, 0 to 1.
    evidence : mapping of str to float
        The same of every shape.
    kinds : mapping of str to Explained
        What was fitted.
    visible : int
        Harmonics above the noise.
    """

    shape: Shape
    confidence: float
    evidence: Mapping[Shape, float]
    kinds: Mapping[Kind, Explained]
    visible: int


def verdict_on(seen: Seen) -> Verdict:
    """Fit the usual waves to the harmonics and weigh them against each other."""
    power = np.abs(seen.value) ** 2
    visible = int(np.count_nonzero(power > VISIBLE * seen.variance))
    beyond = math.sqrt(max(0.0, float(np.sum((power - seen.variance)[1:]) / power.sum())))
    kinds: dict[Kind, Explained] = {}
    if visible > 1 and beyond > PURE:
        few = seen.first(FEW)
        starts = {kind: starts_of(seen, kind) for kind in EVERY}
        left = {kind: math.sqrt(left_of(few, each[0][0].model)) for kind, each in starts.items()}
        for kind, each in starts.items():
            near = left[kind] < max(HOPELESS, 2 * min(left.values()))
            if near and left[kind] < NOTHING_LIKE:
                kinds[kind] = explained(seen, every_low_pass(seen, kind, each))
            elif left[kind] == min(left.values()):
                kinds[kind] = explained(few, [each[0][0]])
    evidence = _evidence(seen, kinds, beyond)
    shape = max(evidence, key=lambda name: evidence[name])
    return Verdict(shape, evidence[shape], evidence, kinds, visible)


def explained(seen: Seen, fits: Sequence[Fit]) -> Explained:
    """Weigh fits through different low-passes by their likelihood, numbers counted."""
    chi2 = np.array([fit.chi2 for fit in fits])
    scale = np.maximum(1.0, (chi2 / [fit.dof for fit in fits]).min())
    numbers = np.array([NUMBERS[fit.chain.low_pass] for fit in fits])
    score = -chi2 / scale / 2 - numbers * math.log(2 * seen.order.size) / 2
    weight = np.exp(score - score.max())
    weight /= weight.sum()
    shares, u = (np.array([getattr(fit, n) for fit in fits]) for n in ("share", "u_share"))
    mean = float(weight @ shares)
    choice = float(weight @ (shares - mean) ** 2)
    best = fits[int(np.argmax(weight))]
    return Explained(
        kind=best.kind,
        best=best,
        share=mean,
        u_share=math.sqrt(float(weight @ u**2) + choice),
        u_choice=math.sqrt(choice),
        misfit=math.sqrt(left_of(seen, best.model)),
    )


def left_of(seen: Seen, model: Complex) -> float:
    """Power of what a model leaves beyond the noise, re the wave."""
    power = float(np.sum(np.abs(seen.value) ** 2))
    left = float(np.sum(np.abs(seen.value - model) ** 2) - np.sum(seen.variance))
    return max(0.0, left / power)


def _evidence(seen: Seen, kinds: Mapping[Kind, Explained], beyond: float) -> dict[Shape, float]:
    """Share of each shape in the evidence.

    A wave that would have to come through a closed filter shares its evidence with all that the
    filter would make alike, and has none beside what looks like a sine.
    """
    left: dict[Shape, float] = {"sine": math.hypot(beyond, 2 * REAL_WAVE), "mixed": MIXED}
    closed: dict[Shape, float] = {}
    for name, kind in _named(kinds).items():
        shut = _closed(kind, seen.hz) if seen.order.size >= FEWEST else 0.5
        if shut == 1.0 or beyond > NEARLY_PURE:
            left[name], closed[name] = math.hypot(kind.misfit, REAL_WAVE), shut
    count = _speaking(seen, any(shut < 1.0 for shut in closed.values()))
    logs = {
        name: -2 * count * math.log(rest) + 2 * math.log(closed.get(name, 1.0))
        for name, rest in left.items()
    }
    shut_logs = [logs[name] for name, shut in closed.items() if shut < 1.0]
    logs["mixed"] = max([logs["mixed"], *shut_logs])
    top = max(logs.values())
    weights = {name: math.exp(value - top) for name, value in logs.items()}
    total = sum(weights.values())
    every: tuple[Shape, ...] = ("sine", "triangle", "saw", "pulse", "mixed")
    return {name: weights.get(name, 0.0) / total for name in every}


def _named(kinds: Mapping[Kind, Explained]) -> dict[Shape, Explained]:
    """Return what was fitted by the name of its shape."""
    out: dict[Shape, Explained] = {}
    if "pulse" in kinds:
        out["pulse"] = kinds["pulse"]
    if "ramp" in kinds:
        ramp = kinds["ramp"]
        out["saw" if min(ramp.share, 1 - ramp.share) < SAW_SHARE else "triangle"] = ramp
    return out


def _speaking(seen: Seen, shut: bool) -> int:
    """Return how many harmonics speak for or against a shape."""
    power = np.abs(seen.value) ** 2
    if shut:  # couplings, low-pass, share and size take some
        visible = int(np.count_nonzero(power > VISIBLE * seen.variance))
        return max(1, min(visible - TAKEN, MOST_VISIBLE))
    speaks = seen.variance * VISIBLE < np.maximum(power, float(power.max()) * SPEAKS**2)
    return max(1, min(int(np.count_nonzero(speaks)), MOST_VISIBLE))


def _closed(kind: Explained, hz: float) -> float:
    """How far a low-pass would have to be closed; 1 for an open one."""
    corner = kind.best.chain.corner_hz()
    return min(1.0, corner / (CLOSED * hz)) if math.isfinite(corner) else 1.0
