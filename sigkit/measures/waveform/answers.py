"""Numbers of a waveform, with their uncertainties, or why there are none."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from sigkit.arrays import Complex, Real
from sigkit.measures.waveform.difference import db_of
from sigkit.measures.waveform.fit import path_leaves
from sigkit.measures.waveform.harmonics import Tone
from sigkit.measures.waveform.models import ideal
from sigkit.measures.waveform.recorder import RECORDER, u_of, ways_of
from sigkit.measures.waveform.result import COLUMNS
from sigkit.measures.waveform.shape import Explained, Verdict
from sigkit.measures.waveform.weighing import Weighed, weighed
from sigkit.quantity import Quantity, Term, combine, not_measurable

SURE = 0.9
"""Share of the evidence from which on a number that belongs to a shape is told."""
CLEAR = 12.0
"""Power over noise from which the level of a harmonic is told."""
GAIN_U_DB = 0.02
"""Drift of an interface's gain within a session, as a standard uncertainty: common practice, no
source."""
PATH_KNOWN = 1e-3
"""How well fitted couplings and low-passes stand for real ones, re the wave: what an ideal wave
leaves below that says nothing of the oscillator."""
SMOOTHLY, AT_HZ = 5e-4, 20_000.0
"""How far level and phase of a real path may depart, smoothly, from all couplings and low-passes of
ideal poles: 0.004 dB and as much of a radian there, less below. Common practice, no source."""
LEAST_DB_U = 1e-4
LEAST_U = 1e-6
SAME_SHAPE = 1.5
"""How many times the noise's part the scatter within the tone must be to be taken instead."""
OPEN = "open the filter, or play a lower note"


@dataclass(frozen=True, eq=False)
class Answers:
    """The quantities of a waveform by name, and bounds of those that noise hides."""

    quantities: Mapping[str, Quantity]
    bounds: Mapping[str, Quantity]


def answers_of(
    tone: Tone, verdict: Verdict, nominal_duty: float | None, response_db: float, why_not: str
) -> Answers:
    """Return the numbers of a tone.

    Parameters
    ----------
    tone : Tone
        Its harmonics.
    verdict : Verdict
        What it was taken for.
    nominal_duty : float or None
        The duty cycle it should have, %.
    response_db : float
        By how much the recorder may depart from flat.
    why_not : str
        Why the capture can't answer anything about its shape; else empty.
    """
    if why_not:
        units = dict.fromkeys(
            ("duty_cycle", "duty_error", "symmetry", "symmetry_error", "thd"), "%"
        )
        units |= {"even_harmonics": "dB", "departure": "dB", "level": "dBFS"}
        return Answers({n: not_measurable(unit, why_not) for n, unit in units.items()}, {})
    bounds: dict[str, Quantity] = {}
    ways = ways_of(tone.order * tone.hz, response_db)
    duty, symmetry = (share_of(tone, verdict, name, ways) for name in ("pulse", "triangle"))
    thd, bound = root_over_fundamental(tone, slice(1, None), ways)
    if bound is not None:
        bounds["thd"] = _in_percent(bound)
    even, even_bound = root_over_fundamental(tone, slice(1, None, 2), ways)
    if even_bound is not None:
        bounds["even_harmonics"] = _in_db(even_bound)
    departure, departure_bound = departure_of(tone, verdict, ways)
    if departure_bound is not None:
        bounds["departure"] = departure_bound
    power = tone.power
    relative = math.sqrt(float(np.sum(2 * np.abs(tone.value) ** 2 * tone.variance))) / power
    level = combine(
        10 * math.log10(4 * power),
        "dBFS",
        [
            Term("noise", max(db_of(relative), LEAST_DB_U), "A"),
            Term("gain of the interface", GAIN_U_DB, "B"),
            *_by_recorder(tone.shares(), ways, 20 / math.log(10)),
        ],
    )
    return Answers(
        {
            "duty_cycle": duty,
            "duty_error": error_of(duty, nominal_duty),
            "symmetry": symmetry,
            "symmetry_error": error_of(symmetry, 50.0),
            "thd": _in_percent(thd),
            "even_harmonics": _in_db(even),
            "departure": departure,
            "level": level,
        },
        bounds,
    )


def _by_recorder(weight: Complex, ways: Complex, scale: float) -> list[Term]:
    """Return what the recorder's response does to something, by its change with each harmonic."""
    u = scale * u_of(weight, ways[:, : weight.size])
    return [Term(RECORDER, u, "B")] if u > 0 else []


def share_of(tone: Tone, verdict: Verdict, shape: str, ways: Complex) -> Quantity:
    """Return the duty cycle of a pulse or the rising share of a triangle, %."""
    what = "duty cycle" if shape == "pulse" else "symmetry"
    if verdict.confidence < SURE:
        alike = sorted((n for n, e in verdict.evidence.items() if e > 0.02), key=len)
        return not_measurable(
            "%",
            f"the {verdict.visible} harmonics above the noise may be those of one wave or another "
            f"({', '.join(alike)}): {OPEN}",
        )
    if verdict.shape == "mixed":
        best = min(verdict.kinds.values(), key=lambda k: k.misfit, default=None)
        left = f" (the nearest leaves {20 * math.log10(best.misfit):.0f} dB)" if best else ""
        return not_measurable(
            "%",
            f"no single wave explains this one{left}: record one wave of one oscillator alone, "
            "filter open, no resonance",
        )
    if verdict.shape != shape:
        return not_measurable(
            "%", f"the wave is a {verdict.shape}, which has no {what}: record a {shape}"
        )
    kind = verdict.kinds["pulse" if shape == "pulse" else "ramp"]
    known = weighed(tone.seen(), kind.best, ways)
    terms = _share_terms(tone, kind, known, ways)
    share = combine(100 * (kind.share + known.moved), "%", terms)
    if share.expanded < min(float(share), 100 - float(share)):
        return share
    most = 100 * min(kind.share, 1 - kind.share) + share.expanded
    return not_measurable(
        "%",
        f"the flat side is too narrow for {verdict.visible} harmonics: it may be anything below "
        f"{most:.2g} %: play a lower note"
        if most < 50
        else f"{verdict.visible} harmonics do not tell it: play a lower note",
    )


def _share_terms(tone: Tone, kind: Explained, known: Weighed, ways: Complex) -> list[Term]:
    within = tone.stretches - tone.value
    moved = np.sum(within[:, : known.gain.size] * known.gain, axis=1).real
    seen = tone.scatter(moved)
    terms = [Term("noise, and what the ideal wave leaves", max(100 * known.u, LEAST_U), "A")]
    if kind.u_choice > 0:
        terms.append(Term("kind of the low-pass", 100 * kind.u_choice, "B"))
    terms.append(Term("path beside ideal poles", max(100 * _u_path(tone, known), LEAST_U), "B"))
    terms += _by_recorder(known.gain * known.model, ways, 100)
    if seen > SAME_SHAPE * known.u:
        dof = tone.stretches.shape[0] - 1.0
        beyond = math.sqrt(seen**2 - known.u**2)
        terms.append(Term("changes within the tone", 100 * beyond, "A", dof))
    return terms


def _u_path(tone: Tone, known: Weighed) -> float:
    """Uncertainty of a share by what no low-pass that is fitted can follow.

    It hides in the share itself, not in what the fit leaves: a narrow pulse is weaker at high
    frequencies than a wide one, as if its path were less flat.
    """
    x = tone.order[: known.gain.size] * tone.hz / AT_HZ
    moved = [float(np.sum(known.gain * known.model * way).real) for way in (x**2, 1j * x**3)]
    return SMOOTHLY * math.hypot(*moved)


def error_of(share: Quantity, nominal: float | None) -> Quantity:
    """Return a share of the period less its nominal value."""
    if nominal is None:
        return not_measurable("%", "no nominal duty cycle was stated: give nominal_duty")
    if not share.measurable:
        return not_measurable("%", share.reason)
    return Quantity(float(share) - nominal, share.u, "%", share.dof, share.budget)


def root_over_fundamental(
    tone: Tone, part: slice, ways: Complex
) -> tuple[Quantity, Quantity | None]:
    """Return the root of summed powers of some harmonics over the fundamental, noise taken out.

    Returns
    -------
    ratio : Quantity
        As a ratio.
    bound : Quantity or None
        Upper bound where noise hides it.
    """
    value, variance = tone.value[part], tone.variance[part]
    if not value.size:
        return not_measurable("", "the band holds no such harmonic: play a lower note"), None
    power = float(np.sum(np.abs(value) ** 2 - variance))
    first = tone.fundamental**2
    u_power = math.sqrt(float(np.sum(2 * np.abs(value) ** 2 * variance + variance**2)))
    if power < 2 * u_power:
        bound = math.sqrt((max(power, 0.0) + 2 * u_power) / first)
        quantity = combine(bound, "", [Term("noise", bound / 2, "A")])
        why = "it lies below the noise: record at a higher level, or for longer"
        return not_measurable("", why), quantity
    ratio = math.sqrt(power / first)
    of_first = math.sqrt(float(tone.variance[0]) / (2 * first))
    noise = ratio * math.hypot(u_power / (2 * power), of_first)
    rows = np.abs(tone.stretches) ** 2
    own = np.sqrt(np.sum(rows[:, part], axis=1) / rows[:, 0])
    seen = tone.scatter(own)
    terms = [Term("noise", max(noise, 1e-9), "A")]
    weight = np.zeros(tone.order.size, complex)
    weight[part] = np.abs(value) ** 2 / np.sum(np.abs(value) ** 2)
    weight[0] -= 1
    terms += _by_recorder(weight, ways, ratio)
    if seen > SAME_SHAPE * noise:
        beyond = math.sqrt(seen**2 - noise**2)
        terms.append(Term("changes within the tone", beyond, "A", rows.shape[0] - 1.0))
    return combine(ratio, "", terms), None


def departure_of(tone: Tone, verdict: Verdict, ways: Complex) -> tuple[Quantity, Quantity | None]:
    """Return what the ideal wave leaves, dB re the wave, or a bound of it."""
    kind = None
    model: Complex = np.zeros(tone.order.size, complex)
    if verdict.shape == "sine":
        model[0] = tone.value[0]
    else:
        kind = min(verdict.kinds.values(), key=lambda k: k.misfit, default=None)
        if verdict.shape != "mixed":
            kind = verdict.kinds["pulse" if verdict.shape == "pulse" else "ramp"]
        if kind is None:
            return not_measurable("dB", "no wave was fitted"), None
        model[: kind.best.model.size] = kind.best.model
    rest = np.abs(tone.value - model) ** 2
    left = float(np.sum(rest - tone.variance)) / tone.power
    noise = math.sqrt(float(np.sum(2 * rest * tone.variance + tone.variance**2))) / tone.power
    path = 0.0
    if kind is not None:
        path = PATH_KNOWN**2 + path_leaves(tone.seen(), kind.best, ways) / tone.power
    if left < 2 * math.hypot(noise, path):
        bound = 10 * math.log10(max(left, 0.0) + 2 * math.hypot(noise, path))
        why = "what the ideal wave leaves lies below the noise, or below what is known of the path"
        return not_measurable("dB", why), combine(bound, "dB", [Term("noise", 1.0, "A")])
    terms = [Term("noise", max(db_of(noise / left), LEAST_DB_U), "A")]
    if path:
        terms.append(Term("what is not known of the path", db_of(path / left), "B"))
    return combine(10 * math.log10(left), "dB", terms), None


def _in_percent(ratio: Quantity) -> Quantity:
    if not ratio.measurable:
        return not_measurable("%", ratio.reason)
    terms = [Term(t.source, 100 * t.u, t.evaluation, t.dof) for t in ratio.budget]
    return combine(100 * float(ratio), "%", terms)


def _in_db(ratio: Quantity) -> Quantity:
    if not ratio.measurable:
        return not_measurable("dB", ratio.reason)
    scale = 20 / math.log(10) / float(ratio)
    terms = [Term(t.source, scale * t.u, t.evaluation, t.dof) for t in ratio.budget]
    return combine(20 * math.log10(float(ratio)), "dB", terms)


def harmonics_table(tone: Tone, verdict: Verdict) -> pd.DataFrame:
    """Return level and phase of every harmonic, beside those of the ideal wave."""
    first = tone.fundamental
    size = np.abs(tone.value)
    clear = size**2 > CLEAR * tone.variance
    clear[0] = True
    one_sd = np.sqrt(tone.variance / 2)
    of_first = np.where(tone.order > 1, one_sd[0] / first, 0.0)
    with np.errstate(divide="ignore"):
        level = 20 * np.log10(size / first)
        relative = np.hypot(one_sd / size, of_first)
        phase = np.angle(tone.value * np.exp(-1j * tone.order * np.angle(tone.value[0])))
        # Of a sine, with the fundamental's at 0: cos(k x + p) = sin(k (x + 1/4 turn) + ...).
        phase = (phase + (1 - tone.order) * np.pi / 2 + np.pi) % (2 * np.pi) - np.pi
        u_phase = np.hypot(one_sd / size, tone.order * of_first)
    closed, expected = _ideal_levels(tone, verdict)
    table = pd.DataFrame(
        {
            "order": tone.order.astype(int),
            "frequency_hz": tone.order * tone.hz,
            "level_db": np.where(clear, level, np.nan),
            "u_level_db": np.where(clear, 20 / math.log(10) * relative, np.nan),
            "phase_rad": np.where(clear, np.where(phase > np.pi - 1e-9, np.pi, phase), np.nan),
            "u_phase_rad": np.where(clear, u_phase, np.nan),
            "floor_db": 10 * np.log10(tone.variance / first**2),
            "closed_form_db": closed,
            "expected_db": expected,
        }
    )
    return table[list(COLUMNS)]


def _ideal_levels(tone: Tone, verdict: Verdict) -> tuple[Real, Real]:
    """Levels of the ideal wave re its fundamental, and through the fitted path."""
    nothing = np.full(tone.order.size, np.nan)
    if verdict.shape == "mixed":
        return nothing, nothing
    if verdict.shape == "sine":
        only = np.where(tone.order == 1, 0.0, np.nan)
        return only, only
    kind = verdict.kinds["pulse" if verdict.shape == "pulse" else "ramp"]
    share = kind.share
    if verdict.shape == "saw":
        share = 1e-4 if share < 0.5 else 1 - 1e-4
    closed, expected = np.abs(ideal(kind.kind, share, tone.order)), np.abs(kind.best.model)
    out = []
    for values in (closed, expected):
        level = 20 * np.log10(np.maximum(values / values[0], 1e-30))
        out.append(np.where(level > -160, level, np.nan))
    return out[0], out[1]
