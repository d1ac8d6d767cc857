"""Hiss and hum of an idle instrument at levels that are known."""

import math

from noises import hum, mains_path, white

RATE = 48_000
BAND_DB = 10 * math.log10(19_980)
LEVELS = {1: -70.0, 2: -60.0, 3: -80.0, 4: -66.0, 6: -74.0}
EVEN_DBFS = 10 * math.log10(sum(10 ** (v / 10) for k, v in LEVELS.items() if k % 2 == 0))


def idle(seconds, rng, *, density=-129.0, mains=50.02, levels=None, rate=RATE):
    n = round(seconds * rate)
    x = white(n, density, rate, rng)
    return x + hum(mains_path(n, rate, mains, rng, 0.01), rate, levels or LEVELS, rng)
