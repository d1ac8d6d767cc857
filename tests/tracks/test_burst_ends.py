"""Bursts whose ends lie between the bins of 1 ms, on a clean tone."""

from dataclasses import replace

import numpy as np
import pytest
from sweeps import LEVEL, RATE, Sweep, tone

from sigkit.tracks.burst_ends import extent_of
from sigkit.tracks.faults import Fault, find_bursts
from sigkit.tracks.residual import track_residual

STARTS_S = np.arange(0.6, 7.4, 0.4)


@pytest.fixture(scope="module")
def found(tmp_path_factory):
    """Bursts of 1.3 to 30 ms, 15 dB below the tone and 55 dB above the hiss, at odd instants."""
    rng = np.random.default_rng(9)
    count = 8 * RATE
    sound = LEVEL * tone(rng, count, 90.0, "triangle")
    sound += LEVEL * 10 ** (-70 / 20) * rng.standard_normal(count)
    truth = []
    for start_s in STARTS_S + rng.uniform(0, 0.001, STARTS_S.size):
        first, size = round(start_s * RATE), round(rng.choice([1.3, 2.6, 7.7, 30.0]) * RATE / 1000)
        burst = rng.standard_normal(size)
        burst *= LEVEL * 10 ** (-15 / 20) / np.sqrt(np.mean(burst**2))
        sound[first : first + size] += burst
        truth.append((1000 * first / RATE, 1000 * (first + size) / RATE))
    path = tmp_path_factory.mktemp("bursts")
    track = track_residual(Sweep(sound, "triangle").capture(path))
    bursts, _ = find_bursts(track, np.arange(track.rest.size) > 300)
    return track, bursts, truth


def test_ends_are_found_between_bins(found):
    """Found by bands that ring for milliseconds, a burst of 1.3 ms once came out at 6 ms."""
    track, bursts, truth = found
    assert len(bursts) == len(truth)
    extents = [extent_of(track, burst) for burst in bursts]
    starts = np.array([e.start - a for e, (a, _) in zip(extents, truth, strict=True)])
    stops = np.array([e.stop - b for e, (_, b) in zip(extents, truth, strict=True)])
    assert np.abs(starts).max() < 0.5
    assert np.abs(stops).max() < 0.7
    assert np.median(np.abs(np.concatenate([starts, stops]))) < 0.25


def test_power_is_that_of_the_burst(found):
    track, bursts, _ = found
    told = LEVEL**2 * 10 ** (-15 / 10)
    off = np.array([10 * np.log10(extent_of(track, b).power / told) for b in bursts])
    assert np.abs(off).max() < 1.5
    assert np.median(np.abs(off)) < 0.4
    assert all(extent_of(track, b).background < told / 1000 for b in bursts)
    assert all(extent_of(track, b).u_background < told / 1000 for b in bursts)
    assert all(extent_of(track, b).u_ends_db < 1 for b in bursts)
    assert all(extent_of(track, b).u_hidden_db == 0 for b in bursts)


def test_a_dropout_keeps_its_ends(found):
    track, *_ = found
    extent = extent_of(track, Fault(first=500, last=520, kind="dropout"))
    assert (extent.start, extent.stop) == (500, 520)


def test_a_decay_that_sinks_into_the_noise_says_that_its_tail_is_hidden(found):
    """A decay from 13 dB above the noise is seen for a third of the time that holds 99 % of it."""
    track, *_ = found
    decay = np.zeros(track.rest.size)
    decay[500:560] = np.exp(-np.arange(60) / 8.0)
    noise = float(np.median(track.rest[420:480]))
    faint = replace(
        track,
        rest=(track.rest + 20 * noise * decay).astype(np.float32),
        mid=(track.mid + 20 * track.mid_floor * decay).astype(np.float32),
    )
    extent = extent_of(faint, Fault(first=500, last=515, kind="burst"))
    assert extent.start == pytest.approx(500, abs=1)
    assert 510 < extent.stop < 530  # 99.5 % of the energy lie before 542
    short_db = 10 * np.log10(42 / (extent.stop - extent.start))
    assert extent.u_hidden_db > short_db / 3


@pytest.mark.parametrize(
    ("before", "after", "least_db", "most_db"), [(8, 8, 2.0, 3.7), (0, 8, 0, 0.2)]
)
def test_tails_alike_on_both_sides_may_be_none_of_the_burst(
    found, before, after, least_db, most_db
):
    """13 ms with tails of 8 ms, 11 dB lower: without those 10 log10(29/13) = 3.5 dB louder."""
    track, *_ = found
    shape = np.zeros(track.rest.size)
    shape[504 - before : 517 + after] = 0.08
    shape[504:517] = 1.0
    loud = replace(
        track,
        rest=(track.rest + 1e4 * float(np.median(track.rest[420:480])) * shape).astype(np.float32),
        mid=(track.mid + 1e4 * track.mid_floor * shape).astype(np.float32),
    )
    extent = extent_of(loud, Fault(first=504, last=517, kind="burst"))
    assert extent.stop - extent.start > 13 + 0.7 * (before + after)
    assert least_db <= extent.even_tails_db <= most_db
