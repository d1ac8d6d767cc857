"""A capture cut where its level changes; truth is where the pieces were put together."""

import math

import numpy as np
import pytest
from noises import note, white, write

from sigkit.captures.wav import open_capture
from sigkit.tracks.level_parts import level_parts

RATE = 8000


def parts_of(folder, *pieces):
    path = write(folder, np.concatenate(pieces), RATE)
    return list(level_parts(open_capture(path)))


def hiss(seconds, level=-60.0, seed=0):
    rng = np.random.default_rng(seed)
    return white(round(seconds * RATE), level - 10 * math.log10(RATE / 2), RATE, rng)


def test_quiet_and_tone_are_parted_where_the_key_goes_down(tmp_path):
    quiet, tone = parts_of(tmp_path, hiss(4.03), note(220.0, 3.0, RATE, -12.0))
    assert (quiet.start_s, quiet.stop_s) == (0.0, pytest.approx(4.03, abs=0.1))
    assert quiet.stop_s <= 4.03  # nothing of the tone lies in the quiet
    assert quiet.level_dbfs == pytest.approx(-60, abs=0.2)
    assert tone.level_dbfs == pytest.approx(-12, abs=0.1)
    assert tone.duration_s == pytest.approx(3.0, abs=0.2)
    assert tone.sound.size == round(tone.duration_s * RATE)
    assert not quiet.bursts


def test_digital_silence_is_a_part_of_its_own(tmp_path):
    first, second, third = parts_of(tmp_path, np.zeros(RATE), hiss(2.0), np.zeros(RATE // 2))
    assert math.isinf(first.level_dbfs)
    assert first.duration_s == pytest.approx(1.0)
    assert second.duration_s == pytest.approx(2.0)
    assert third.duration_s == pytest.approx(0.5)
    assert third.loudest_db == 0.0


def test_a_click_cuts_nothing_and_is_named(tmp_path):
    x = hiss(5.0)
    x[round(2.24 * RATE) :][:80] += 0.1
    (part,) = parts_of(tmp_path, x)
    assert part.duration_s == 5.0
    ((begin, end),) = part.bursts
    assert begin < 2.24 < end < begin + 0.5
    assert part.loudest_db > 20


def test_the_tail_of_a_note_is_no_part_of_the_quiet(tmp_path):
    """A note that dies away with 0.4 s is 60 dB down after 2.8 s; the quiet begins behind that."""
    t = np.arange(RATE * 6) / RATE
    tail = note(220.0, 6.0, RATE, -12.0) * np.exp(-t / 0.4) + hiss(6.0)
    found = parts_of(tmp_path, note(220.0, 2.0, RATE, -12.0), tail)
    quiet = found[-1]
    assert quiet.level_dbfs == pytest.approx(-60, abs=0.3)
    # 3 dB above the hiss is where the note is as loud as the hiss: 48 dB down
    assert quiet.start_s > 2.0 + 0.4 * 48 / 8.686 - 0.3
    between = [p for p in found[1:-1] if p.duration_s >= 1]
    assert not between


def test_long_quiet_comes_in_pieces_without_a_gap(tmp_path):
    every = parts_of(tmp_path, hiss(65.0))
    assert [p.duration_s for p in every] == pytest.approx([30, 30, 5])
    assert [p.start_s for p in every] == pytest.approx([0, 30, 60])


def test_less_than_a_window_is_one_part(tmp_path):
    (part,) = parts_of(tmp_path, hiss(0.05))
    assert part.duration_s == pytest.approx(0.05)
