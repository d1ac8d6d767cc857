"""How far the waves of two captures depart from each other."""

from __future__ import annotations

import math

import numpy as np
from scipy import optimize

from sigkit.measures.waveform.harmonics import Tone
from sigkit.quantity import Quantity, Term, combine, not_measurable

PER_ORDER = 8


def difference_of(before: Tone, after: Tone) -> Quantity:
    """Return the rms of the difference of two waves re their rms, dB.

    Parameters
    ----------
    before, after : Tone
        Their harmonics; those of both are used.
    """
    count = min(before.order.size, after.order.size)
    order = before.order[:count]
    one, two = before.value[:count], after.value[:count]
    size_1, size_2 = (math.sqrt(float(np.sum(np.abs(v) ** 2))) for v in (one, two))
    one, two = one / size_1, two / size_2
    noise = before.variance[:count] / size_1**2 + after.variance[:count] / size_2**2
    bins = 1 << math.ceil(math.log2(PER_ORDER * (count + 1)))
    cross = np.zeros(bins, complex)
    cross[1 : count + 1] = one * np.conj(two)
    along = np.fft.ifft(cross).real
    step = 1 / bins
    rough = -int(np.argmax(along)) * step

    def apart(delay: float) -> float:
        return float(np.sum(np.abs(one * np.exp(-2j * np.pi * order * delay) - two) ** 2))

    delays = [rough, -rough]
    found = min(
        (
            optimize.minimize_scalar(
                apart, bounds=(d - step, d + step), method="bounded", options={"xatol": 1e-9}
            )
            for d in delays
        ),
        key=lambda each: each.fun,
    )
    rest = one * np.exp(-2j * np.pi * order * float(found.x)) - two
    left = float(np.sum(np.abs(rest) ** 2) - np.sum(noise))
    u_left = math.sqrt(float(np.sum(2 * np.abs(rest) ** 2 * noise + noise**2)))
    if left < 2 * u_left:
        bound = 10 * math.log10(max(left, 0.0) + 2 * u_left)
        return not_measurable(
            "dB", f"the waves do not differ by more than {bound:.1f} dB, which the noise hides"
        )
    return combine(10 * math.log10(left), "dB", [Term("noise", db_of(u_left / left), "A")])


def db_of(relative: float) -> float:
    """Return a relative uncertainty of a power in dB."""
    return 10 / math.log(10) * relative
