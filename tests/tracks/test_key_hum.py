"""Hum under a key sweep whose notes lie near its lines, and whose releases fill the gaps."""

import math

import numpy as np
import pytest
from keyboards import Instrument, Press, render, steady_presses

from sigkit.tracks.keyboard.hum import take_mains_out


def sweep(seed, hum_db, mains_hz):
    """Sines from 44 Hz up, 0.1 to 0.3 s apart, each dying away with 0.045 s."""
    rng = np.random.default_rng(seed)
    now, presses = 0.8, []
    for k in range(24):
        presses.append(Press(key=29 + k, on_s=now, off_s=now + 0.7))
        now += 0.7 + float(rng.uniform(0.1, 0.3))
    how = Instrument(wave="sine", rate=22_050, release_s=0.045)
    return render(presses, how, now + 1.0, rng, hum_db=hum_db, mains_hz=mains_hz, noise="white")


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("mains_hz", [49.97, 60.04])
def test_hum_is_gone_to_a_thousandth_of_a_note(seed, mains_hz):
    """The same sweep with its hum 260 dB lower is what has to be left."""
    heard = sweep(seed, -40.0, mains_hz)
    hz, _ = take_mains_out(heard, 22_050)
    bare = sweep(seed, -300.0, mains_hz)
    assert hz == pytest.approx(mains_hz, abs=0.001)
    assert np.std(heard - bare) < 1e-3 * 0.1


def test_mains_that_wander_a_little_leave_a_sixth():
    """The frequency strays by 5 mHz to either side within 40 s."""
    bare = sweep(9, -300.0, 50.0)
    t = np.arange(bare.size) / 22_050
    stray = 0.005 * 40.0 * np.sin(2 * np.pi * t / 40.0)
    hum = 0.1 * 10**-2 * math.sqrt(2) * np.cos(2 * np.pi * 50.02 * t + stray)
    heard = bare + hum
    take_mains_out(heard, 22_050)
    assert np.std(heard - bare) < 0.25 * np.std(hum)


def test_no_hum_is_left_alone():
    bare = sweep(5, -300.0, 50.0)
    heard = bare.copy()
    assert math.isnan(take_mains_out(heard, 22_050)[0])
    assert np.array_equal(heard, bare)


def test_hum_that_strays_is_followed_from_gap_to_gap():
    """Mains that wanders by 0.1 Hz, gaps of 0.2 s with a release of 30 ms: left at 1 % or less.

    Lines of their own for every 12 s leave more than there was.
    """
    how = Instrument(wave="sine", rate=24_000, release_s=0.03)
    presses = steady_presses(36, np.zeros(12), hold_s=0.6, gap_s=0.2)
    options = {"mains_hz": 50.03, "stray_hz": 0.1}
    heard, clean = (
        render(presses, how, presses[-1].off_s + 1, np.random.default_rng(4), hum_db=db, **options)
        for db in (-40.0, -200.0)
    )
    hum = heard - clean
    rest = heard.astype(np.float32)
    take_mains_out(rest, how.rate)
    left = rest - clean
    assert np.var(left) < 0.01 * np.var(hum)
