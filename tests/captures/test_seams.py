"""Takes cut at random: gap or overlap of every seam to one frame, and the sound as it was.

The files are packed by hand by the tables of EBU Tech 3285 (bext) and Microsoft's WAVE format; the
truth is the sound before it was cut.
"""

from __future__ import annotations

import struct

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from packing import packed

import sigkit
from sigkit.errors import InputError

RATES = (44100, 48000, 96000)


def bext(stamp: int) -> bytes:
    """602 bytes: texts, date, time, the count of samples since midnight, version, the rest."""
    body = b"take".ljust(256, b"\0") + b"recorder".ljust(32, b"\0") + bytes(32)
    body += b"2026-03-02" + b"10:15:00" + struct.pack("<IIH", stamp % 2**32, stamp >> 32, 1)
    body += bytes(254)
    return b"bext" + struct.pack("<I", len(body)) + body


def write(path, codes, stamp, rate, bits=24):
    """Codes of 24 or 16 bits as one part."""
    wide = np.ascontiguousarray(codes.astype("<i4") << (32 - bits)).view(np.uint8).reshape(-1, 4)
    width = bits // 8
    fmt = struct.pack("<HHIIHH", 1, 1, rate, rate * width, width, bits)
    extra = b"" if stamp is None else bext(stamp)
    path.write_bytes(packed(wide[:, 4 - width :].tobytes(), fmt=fmt, bits=bits, extra=extra))
    return path


def codes_of(capture, bits=24):
    return np.rint(capture.read() * 2 ** (bits - 1)).astype(int)


@given(
    st.integers(0, 2**32 - 1),
    st.sampled_from(RATES),
    st.sampled_from((16, 24)),
    st.lists(st.integers(-3000, 60000), min_size=1, max_size=3),
)
@settings(
    max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_gaps_and_overlaps_by_time_stamps_are_right_to_one_frame(
    tmp_path, seed, rate, bits, between
):
    rng = np.random.default_rng(seed)
    whole = rng.integers(-(2**14), 2**14, 80_000 * (len(between) + 1))
    begun = int(rng.integers(0, 86400 * rate))  # any time of day: midnight lies in some
    begun += begun % rate == 0
    pieces, at = [], 0
    for i, gap in enumerate([*between, None]):
        count = int(rng.integers(8000, 15000))
        stamp = (begun + at) % (86400 * rate)
        stamp = stamp or None if stamp % rate else stamp + (i == 0)
        pieces.append((at, whole[at : at + count], stamp))
        at += count + (gap or 0)
    stamps = [p[2] for p in pieces]
    if all(s is None or s % rate == 0 for s in stamps):
        return
    paths = [
        write(tmp_path / f"warmup-osc-p{i}.wav", codes, stamp, rate, bits)
        for i, (_, codes, stamp) in enumerate(pieces, start=1)
    ]
    joined = sigkit.join_parts(paths)
    expected = np.zeros(joined.frames, int)
    for start, codes, _ in pieces:
        expected[start : start + codes.size] = codes
    assert joined.frames == pieces[-1][0] + pieces[-1][1].size
    assert np.array_equal(codes_of(joined, bits), expected)
    for seam, gap in zip(joined.seams, between, strict=True):
        assert seam.frames == gap
        assert seam.gap_s == pytest.approx(gap / rate)
        word = f"{abs(gap)} frame" if gap else "no gap"
        assert word in seam.words


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("gap", [1, 2, -1, 0])
def test_one_frame_is_one_frame(tmp_path, rate, gap):
    rng = np.random.default_rng(abs(gap) + rate)
    for count in (rate + 1, 3 * rate + 7, 7919, 100_003):  # lengths that no binary fraction holds
        codes = rng.integers(-(2**20), 2**20, count + gap + 5000)
        first = write(tmp_path / "a-b-p1.wav", codes[:count], 12_345, rate)
        second = write(tmp_path / "a-b-p2.wav", codes[count + gap :], 12_345 + count + gap, rate)
        (seam,) = sigkit.join_parts([first, second]).seams
        assert (seam.frames, seam.how) == (gap, "time stamps")
        word = "1 frame)" if abs(gap) == 1 else "2 frames)" if gap else "no gap by"
        assert word in seam.words


@pytest.mark.parametrize("rate", RATES)
def test_an_overlap_that_only_the_sound_shows_is_right_to_one_frame(tmp_path, rate):
    rng = np.random.default_rng(rate)
    for _ in range(6):
        back, count = int(rng.integers(256, 20_000)), int(rng.integers(20_000, 60_000))
        codes = rng.integers(-(2**20), 2**20, 2 * count)
        first = write(tmp_path / "a-b-p1.wav", codes[:count], None, rate)
        second = write(tmp_path / "a-b-p2.wav", codes[count - back :], None, rate)
        joined = sigkit.join_parts([first, second])
        assert (joined.seams[0].frames, joined.seams[0].how) == (-back, "sound")
        assert np.array_equal(codes_of(joined), codes)


def test_an_overlap_goes_by_the_sound_where_the_stamps_are_a_little_off(tmp_path):
    """A recorder that stamps in milliseconds: 480 frames by its stamps are 500 in the sound."""
    codes = np.random.default_rng(1).integers(-(2**20), 2**20, 100_000)
    first = write(tmp_path / "a-b-p1.wav", codes[:50_000], 1_000, 48000)
    second = write(tmp_path / "a-b-p2.wav", codes[49_500:], 1_000 + 49_520, 48000)
    joined = sigkit.join_parts([first, second])
    assert joined.seams[0].frames == -500
    assert joined.seams[0].words == (
        "overlap of 10.4 ms (500 frames) found in the sound (time stamps say 10 ms (480 frames)), "
        "used once"
    )
    assert np.array_equal(codes_of(joined), codes)


def test_a_part_missing_in_the_middle_is_a_gap_of_its_length(tmp_path):
    codes = np.random.default_rng(2).integers(-(2**20), 2**20, 90_001)
    paths = [
        write(tmp_path / f"a-b-p{i}.wav", codes[a:b], 777 + a, 44100)
        for i, (a, b) in enumerate([(0, 30_000), (30_000, 60_001), (60_001, 90_001)], start=1)
    ]
    joined = sigkit.join_parts([paths[0], paths[2]])
    assert joined.seams[0].frames == 30_001
    assert "gap of 0.68 s (30001 frames) by time stamps" in joined.notes[0]
    assert not np.any(codes_of(joined)[30_000:60_001])


def test_parts_in_reverse_and_of_another_rate_are_refused(tmp_path):
    codes = np.random.default_rng(3).integers(-(2**20), 2**20, 60_000)
    one = write(tmp_path / "a-b-p1.wav", codes[:30_000], 9_000, 96000)
    two = write(tmp_path / "a-b-p2.wav", codes[30_000:], 39_000, 96000)
    other = write(tmp_path / "a-b-p3.wav", codes[30_000:], 39_000, 48000)
    with pytest.raises(InputError, match="begun before the part in front of it"):
        sigkit.join_parts([two, one])
    with pytest.raises(InputError, match="96000 Hz, then 48000 Hz"):
        sigkit.join_parts([one, other])
