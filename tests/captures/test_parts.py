"""Takes in parts, packed by hand: the joined capture against the sound before it was cut."""

from __future__ import annotations

import hashlib
import itertools
import pickle
import struct
import tracemalloc

import numpy as np
import pytest
import soundfile as sf
from packing import RATE, ints, packed, three_lines

import sigkit
from sigkit.captures.parts import join_parts
from sigkit.errors import InputError, SignalError


def bext(stamp: int, *, order: str = "<", text: bytes = b"take", rest: int = 256) -> bytes:
    """A Broadcast Audio Extension chunk by the table of EBU Tech 3285 v2.

    Description 256, Originator 32, OriginatorReference 32, OriginationDate 10, OriginationTime 8
    characters, TimeReferenceLow and High (first sample count since midnight), Version, then UMID,
    loudness and reserved bytes: 602 in all.
    """
    words = struct.pack(order + "IIH", stamp & 0xFFFFFFFF, stamp >> 32, 1)
    body = text.ljust(256, b"\0") + b"recorder".ljust(32, b"\0") + bytes(32)
    body += b"2026-03-02" + b"10:15:00" + words + bytes(rest - 2)
    return b"bext" + struct.pack(order + "I", len(body)) + body


def noise(seconds: float, seed: int = 1) -> np.ndarray:
    """Hum and hiss as codes of 16 bits: a sound that never repeats itself."""
    t = np.arange(round(seconds * RATE)) / RATE
    rng = np.random.default_rng(seed)
    return ints(0.3 * np.sin(2 * np.pi * 100 * t) + 0.001 * rng.standard_normal(t.size))


def write(folder, number, codes, stamp=None, **how):
    """Write one part, with a time stamp or without."""
    order = ">" if how.get("name") == b"RIFX" else "<"
    chunk = b"" if stamp is None else bext(stamp, order=order)
    path = folder / f"warmup-osc-p{number}.wav"
    path.write_bytes(packed(codes.astype(order + "i2").tobytes(), extra=chunk, **how))
    return path


def codes_of(capture) -> np.ndarray:
    return np.rint(capture.read() * 32768).astype(int)


# --- the same sound, wherever it was cut


def test_three_parts_read_like_the_file_before_it_was_cut(tmp_path):
    whole = noise(2.0)
    cuts = [0, 31337, 60000, whole.size]
    paths = [
        write(tmp_path, i, whole[a:b], stamp=7 + a)
        for i, (a, b) in enumerate(itertools.pairwise(cuts), start=1)
    ]
    one = tmp_path / "one.wav"
    one.write_bytes(packed(whole.astype("<i2").tobytes()))
    joined, alone = join_parts(paths), sigkit.open_capture(one)
    assert (joined.frames, joined.duration_s, joined.rate) == (whole.size, 2.0, RATE)
    assert joined.notes == (
        "recorded in 3 parts (1 to 2: no gap by time stamps; 2 to 3: no gap by time stamps)",
    )
    assert joined.path == paths[0]
    for seconds in (0.001, 0.013, 0.5, 10.0):
        blocks, others = list(joined.blocks(seconds)), list(alone.blocks(seconds))
        assert [b.size for b in blocks] == [b.size for b in others]
        assert np.array_equal(np.concatenate(blocks), alone.read())
    rng = np.random.default_rng(5)
    for _ in range(20):
        start, stop = np.sort(rng.choice(whole.size, 2, replace=False)) / RATE
        assert np.array_equal(joined.read(start, stop), alone.read(start, stop))
    again = pickle.loads(pickle.dumps(joined))
    assert np.array_equal(again.read(), alone.read())
    ours, theirs = joined.fitness(), alone.fitness()
    assert ours.problems == theirs.problems


def test_the_hash_is_that_of_the_files_own_hashes(tmp_path):
    paths = [write(tmp_path, i, noise(0.1, i)) for i in (1, 2)]
    lines = "".join(hashlib.sha256(p.read_bytes()).hexdigest() + "\n" for p in paths)
    assert join_parts(paths).sha256 == hashlib.sha256(lines.encode()).hexdigest()


def test_one_part_is_a_capture_like_any_other(tmp_path):
    path = write(tmp_path, 1, noise(0.1))
    assert type(join_parts([path])) is sigkit.Capture
    assert join_parts([path]).notes == ()


# --- what time stamps say


@pytest.mark.parametrize("name", [b"RIFF", b"RIFX"])
@pytest.mark.parametrize("begun", [1, 3600 * RATE + 1, 2**32 + 12345])
def test_a_gap_by_time_stamps_is_silence_of_that_length(tmp_path, name, begun):
    first, second = noise(1.0, 1), noise(0.5, 2)
    gap = round(1.7 * RATE)
    paths = [
        write(tmp_path, 1, first, stamp=begun, name=name),
        write(tmp_path, 2, second, stamp=begun + first.size + gap, name=name),
    ]
    joined = join_parts(paths)
    assert joined.notes == (
        f"recorded in 2 parts, gap of 1.7 s ({round(1.7 * RATE)} frames) by time stamps",
    )
    expected = np.concatenate([first, np.zeros(gap, int), second])
    assert np.array_equal(codes_of(joined), expected)
    assert joined.seams[0].gap_s == pytest.approx(1.7)
    assert joined.seams[0].how == "time stamps"


def test_time_stamps_that_libsndfile_wrote(tmp_path):
    """libsndfile (general-purpose library), command SFC_SET_BROADCAST_INFO of its sndfile.h."""
    first, second, gap = noise(0.5, 1), noise(0.5, 2), 9601
    paths, stamp = [], 2**33 + 4321
    for i, codes in enumerate((first, second), start=1):
        info = bytearray(864)  # SF_BROADCAST_INFO; two bytes of padding before its 32-bit words
        info[328:338] = b"2026-03-02"
        info[340:348] = struct.pack("<II", stamp & 0xFFFFFFFF, stamp >> 32)
        paths.append(tmp_path / f"x-p{i}.wav")
        with sf.SoundFile(paths[-1], "w", RATE, 1, "PCM_16") as sound:
            assert sf._snd.sf_command(sound._file, 0x10F1, sf._ffi.from_buffer(info), len(info))
            sound.write(codes)
        stamp += codes.size + gap
    joined = join_parts(paths)
    assert joined.notes == (f"recorded in 2 parts, gap of 0.2 s ({gap} frames) by time stamps",)
    assert joined.frames == first.size + gap + second.size


def test_a_stamp_is_found_behind_the_sound_and_in_rf64_and_w64(tmp_path):
    first, second = noise(0.2, 1), noise(0.2, 2)
    stamps = 11, 11 + first.size + 4800
    for container in ("RF64", "W64", "tail"):
        paths = []
        for i, (codes, stamp) in enumerate(zip((first, second), stamps, strict=True), start=1):
            path = tmp_path / f"{container}-p{i}.wav"
            if container == "tail":
                path.write_bytes(packed(codes.tobytes(), tail=bext(stamp)))
            else:
                sf.write(path, codes, RATE, subtype="PCM_16", format=container)
                held = path.read_bytes()
                chunk = bext(stamp)
                if container == "W64":  # 16-byte names, 64-bit lengths that count the head
                    body = chunk[8:]
                    body += bytes(-len(body) % 8)
                    guid = b"bext" + bytes.fromhex("f3acd3118cd100c04f8edb8a")
                    chunk = guid + struct.pack("<Q", 24 + len(chunk) - 8) + body
                    at = held.index(b"data\xf3\xac")
                else:
                    at = held.index(b"data")
                path.write_bytes(held[:at] + chunk + held[at:])
            paths.append(path)
        assert join_parts(paths).seams[0].gap_s == pytest.approx(0.1), container
        assert join_parts(paths).seams[0].how == "time stamps"


def test_midnight_between_two_parts(tmp_path):
    first = noise(1.0)
    begun = 86400 * RATE - 24001
    paths = [
        write(tmp_path, 1, first, stamp=begun),
        write(tmp_path, 2, noise(1.0, 2), stamp=begun + first.size + 4800 - 86400 * RATE),
    ]
    assert join_parts(paths).notes == (
        "recorded in 2 parts, gap of 0.1 s (4800 frames) by time stamps",
    )


@pytest.mark.parametrize(
    ("seconds", "apart_s", "words", "gap_s"),
    [
        (1.3, 2, "no gap by time stamps, known to 1 s", 0.0),
        (1.3, 1, "no gap by time stamps, known to 1 s", 0.0),
        (1.3, 5, "gap of 3.7 s by time stamps, known to 1 s", 3.7),
    ],
)
def test_stamps_in_whole_seconds_are_no_finer_than_that(tmp_path, seconds, apart_s, words, gap_s):
    paths = [
        write(tmp_path, 1, noise(seconds), stamp=36000 * RATE),
        write(tmp_path, 2, noise(1.0, 2), stamp=(36000 + apart_s) * RATE),
    ]
    joined = join_parts(paths)
    assert joined.notes == (f"recorded in 2 parts, {words}",)
    assert joined.seams[0].gap_s == pytest.approx(gap_s)


def test_one_stamp_for_all_parts_tells_nothing(tmp_path):
    paths = [write(tmp_path, i, noise(0.5, i), stamp=12345) for i in (1, 2)]
    joined = join_parts(paths)
    assert joined.seams[0].how == "not known"
    assert joined.frames == RATE
    assert "no time stamps of its own to each part" in joined.notes[0]


def test_parts_in_another_order_or_hours_apart_are_refused(tmp_path):
    first, second = write(tmp_path, 1, noise(1.0), 99), write(tmp_path, 2, noise(1.0, 2), 99 + RATE)
    with pytest.raises(InputError, match="begun before") as error:
        join_parts([second, first])
    assert three_lines(error)
    assert error.value.where == str(first)
    far = write(tmp_path, 3, noise(1.0, 3), stamp=99 + (1 + 2 * 3600) * RATE)
    with pytest.raises(InputError, match="2 h 0 min 0 s lie between") as error:
        join_parts([first, far])
    assert three_lines(error)
    assert join_parts([first, far], gap_s=1.0).frames == 3 * RATE


def test_a_seam_with_missing_sound_harms_level_tests_alone(tmp_path):
    paths = [write(tmp_path, i, noise(1.0, i)) for i in (1, 2)]
    for gap_s, words in ((None, "follows without a gap as far"), (0.5, "gap of 0.5 s as given")):
        fitness = join_parts(paths, gap_s=gap_s).fitness()
        (problem,) = fitness.problems
        assert (problem.kind, problem.where) == (
            "recorder began a new file",
            f"{1 + (gap_s or 0):.1f} s",
        )
        assert problem.how_much.startswith(words)
        assert fitness.verdict_for("slider") == "record again"
        assert fitness.verdict_for("warmup") == "usable with remarks"
    assert join_parts(paths, gap_s=0).fitness().problems == ()


# --- what the sound says


@pytest.mark.parametrize("overlap_s", [0.02, 0.5, 3.0])
@pytest.mark.parametrize("stamped", [False, True])
def test_an_overlap_is_used_once(tmp_path, overlap_s, stamped):
    whole, at, back = noise(8.0), 5 * RATE + 17, round(overlap_s * RATE)
    stamps = (5, 5 + at - back) if stamped else (None, None)
    paths = [
        write(tmp_path, 1, whole[:at], stamps[0]),
        write(tmp_path, 2, whole[at - back :], stamps[1]),
    ]
    joined = join_parts(paths)
    assert np.array_equal(codes_of(joined), whole)
    assert joined.seams[0].gap_s == pytest.approx(-overlap_s)
    how = "by time stamps" if stamped else "found in the sound"
    length = "20 ms" if overlap_s < 0.1 else f"{overlap_s:g} s"
    assert joined.notes == (
        f"recorded in 2 parts, overlap of {length} ({back} frames) {how}, used once",
    )


def test_an_overlap_by_stamps_that_the_sound_does_not_bear_out_is_not_taken(tmp_path):
    first, second = noise(1.0), noise(1.0, 2)
    paths = [write(tmp_path, 1, first, 3), write(tmp_path, 2, second, 3 + RATE // 2)]
    joined = join_parts(paths)
    assert np.array_equal(codes_of(joined), np.concatenate([first, second]))
    assert joined.seams[0].how == "not known"
    assert "0.5 s overlap, but the sound does not" in joined.notes[0]


def test_silence_and_a_sound_that_repeats_itself_show_no_overlap(tmp_path):
    period = ints(0.5 * np.sin(2 * np.pi * np.arange(480) / 480))
    for codes in (np.tile(period, 200), np.zeros(96000, np.int16)):
        paths = [write(tmp_path, i, codes) for i in (1, 2)]
        joined = join_parts(paths)
        assert joined.frames == 2 * codes.size
        assert joined.notes == (
            "recorded in 2 parts, follows without a gap as far as can be told: the recorder gave "
            "no time stamps of its own to each part",
        )


def test_a_copy_of_a_part_holds_nothing_new(tmp_path):
    paths = [write(tmp_path, i, noise(1.0)) for i in (1, 2)]
    with pytest.raises(InputError, match="holds nothing that the part before it") as error:
        join_parts(paths)
    assert three_lines(error)


# --- what the user says


def test_a_gap_as_given_goes_before_everything_else(tmp_path):
    paths = [write(tmp_path, i, noise(0.5, i), stamp=9 + 2 * i * RATE) for i in (1, 2, 3)]
    joined = join_parts(paths, gap_s=[0.25, 0])
    assert joined.frames == RATE * 1.75
    assert "1 to 2: gap of 0.25 s as given (time stamps say 1.5 s)" in joined.notes[0]
    assert "2 to 3: no gap as given (time stamps say 1.5 s)" in joined.notes[0]
    assert join_parts(paths, gap_s=1.0).frames == RATE * 3.5


@pytest.mark.parametrize("gap", [-1, float("nan"), float("inf"), 3601, "1", True, [1, 2], []])
def test_a_gap_that_is_none_is_refused(tmp_path, gap):
    paths = [write(tmp_path, i, noise(0.1, i)) for i in (1, 2)]
    with pytest.raises(InputError, match="gap_s must be one number from 0 to 3600 s") as error:
        join_parts(paths, gap_s=gap)
    assert three_lines(error)
    with pytest.raises(InputError, match="this one has one"):
        join_parts(paths[:1], gap_s=gap)


@pytest.mark.parametrize("paths", [[], "x.wav", ()])
def test_no_parts(paths):
    with pytest.raises(InputError, match="Parts are wanted"):
        join_parts(paths)


# --- files that do not belong together, or are spoilt


@pytest.mark.parametrize(
    ("rate", "channels", "subtype", "words"),
    [
        (44100, 1, "PCM_16", "sample rate is 48000 Hz, then 44100 Hz"),
        (48000, 2, "PCM_16", "number of channels is 1, then 2"),
        (48000, 1, "PCM_24", "sample format is PCM_16, then PCM_24"),
    ],
)
def test_files_of_another_kind_are_no_parts(tmp_path, rate, channels, subtype, words):
    first, other = tmp_path / "a.wav", tmp_path / "b.wav"
    sf.write(first, noise(0.1), 48000, "PCM_16")
    sf.write(other, np.repeat(noise(0.1)[:, None], channels, 1), rate, subtype)
    with pytest.raises(InputError, match=words) as error:
        join_parts([first, other])
    assert three_lines(error)
    assert error.value.where == str(other)


def test_the_channel_is_that_of_the_first_part(tmp_path):
    quiet, loud = noise(0.2, 1) // 100, noise(0.2, 2)
    for i, pair in ((1, (quiet, loud)), (2, (loud, quiet))):
        sf.write(tmp_path / f"p{i}.wav", np.stack(pair, 1), RATE, "PCM_16")
    paths = [tmp_path / "p1.wav", tmp_path / "p2.wav"]
    joined = join_parts(paths)
    assert joined.channel == 1
    assert np.array_equal(codes_of(joined), np.concatenate([loud, quiet]))
    assert join_parts(paths, 0).channel == 0
    assert any("channel 1 (of 0 and 1) taken" in note for note in joined.notes)


def test_a_part_that_was_cut_off_is_salvaged_and_a_bad_sample_is_found_in_its_file(tmp_path):
    first, second = noise(0.6, 1), noise(0.6, 2)
    paths = [
        write(tmp_path, 1, first, stamp=1),
        write(tmp_path, 2, second, stamp=1 + first.size, data_size=0, riff_size=0),
    ]
    joined = join_parts(paths)
    assert joined.salvaged
    assert np.array_equal(codes_of(joined), np.concatenate([first, second]))
    assert "part 2: header repaired in memory" in joined.notes[1]
    assert joined.fitness().problems[-1].kind == "header repaired"
    bad = second / 32768
    bad[4800] = np.nan
    sf.write(tmp_path / "a.wav", first / 32768, RATE, "FLOAT")
    sf.write(tmp_path / "b.wav", bad, RATE, "FLOAT")
    with pytest.raises(SignalError, match=r"Sample at 0\.100000 s is nan") as error:
        join_parts([tmp_path / "a.wav", tmp_path / "b.wav"]).read()
    assert "b.wav" in error.value.where


def test_two_parts_of_two_gib_cost_no_memory(tmp_path):
    """Sparse files; only the ends are read."""
    paths = []
    for i in (1, 2):
        path = tmp_path / f"big-p{i}.wav"
        head = packed(b"", data_size=2**31 - 96, riff_size=2**31 - 60)
        path.write_bytes(head)
        with path.open("r+b") as file:
            file.truncate(len(head) + 2**31 - 96)
        paths.append(path)
    tracemalloc.start()
    joined = join_parts(paths)
    assert joined.duration_s == pytest.approx(2 * (2**30 - 48) / RATE)
    seam_s = (2**30 - 48) / RATE
    assert joined.read(seam_s - 0.5, seam_s + 0.5).size == RATE
    next(joined.blocks())
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 60e6
