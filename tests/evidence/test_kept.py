"""What an earlier run measured is used again only where nothing differs, and gives the same."""

import copyreg
import json
import os
import pickle
import shutil

import pytest

from sigkit.errors import InputError, SignalError
from sigkit.evidence.job.folder import open_job
from sigkit.evidence.run import kept
from sigkit.evidence.run.kept import KeptOutcomes, kept_outcomes, key_of
from sigkit.evidence.run.takes import measure_takes


@pytest.fixture
def store(tmp_path, monkeypatch):
    folder = tmp_path / "kept"
    monkeypatch.setenv("SIGKIT_CACHE", str(folder))
    monkeypatch.setattr(kept, "ROOMS", ("sigkit", "sigkit_fake"))
    return folder


def again(folder):
    """Measure a job; return its evidence and the captures that were measured now."""
    evidence = open_job(folder).measure(progress=False)
    return evidence, {o.take.key for o in evidence.outcomes if not o.kept}


def same(one, other):
    return one.results() == other.results() and one.to_dict() == other.to_dict()


def test_a_second_run_measures_nothing_and_gives_the_same(job_folder, store, fake_slider):
    fake_slider.tone(job_folder / "after/slider-hiss.wav", 0.009)  # cannot answer: kept too
    first, now = again(job_folder)
    assert len(now) == 8
    assert first.origin == "8 measured now"
    second, now = again(job_folder)
    assert now == set()
    assert second.origin.startswith("0 measured now, 8 taken from an earlier run: same SHA-256")
    assert same(first, second)
    assert store.stat().st_mode & 0o777 == 0o700
    assert len(list(store.iterdir())) == 8


@pytest.mark.usefixtures("store")
def test_what_differs_is_measured_again(job_folder, fake_slider, monkeypatch):
    again(job_folder)
    fake_slider.tone(job_folder / "after/slider-release.wav", 0.41)
    stat = (job_folder / "before/slider-release.wav").stat()
    with (job_folder / "before/slider-release.wav").open("r+b") as file:  # same size, same time
        file.seek(5000)
        file.write(b"\1")
    os.utime(job_folder / "before/slider-release.wav", ns=(stat.st_atime_ns, stat.st_mtime_ns))
    assert again(job_folder)[1] == {"after/slider-release.wav", "before/slider-release.wav"}
    (job_folder / "job.toml").write_text('[captures."before/slider-noise-half"]\nchannel = 0\n')
    assert again(job_folder)[1] == {"before/slider-noise-half.wav"}
    (job_folder / "job.toml").write_text('[options.slider]\ncontrols = "level"\n')
    assert len(again(job_folder)[1]) == 7
    assert again(job_folder)[1] == set()
    (job_folder / "before/slider-noise-half.wav").rename(job_folder / "before/slider-noise.wav")
    assert again(job_folder)[1] == {"before/slider-noise.wav"}
    monkeypatch.setattr(kept, "edition", lambda: "another version")
    assert len(again(job_folder)[1]) == 7


@pytest.mark.usefixtures("store")
def test_nothing_is_used_where_that_is_not_wanted(job_folder, monkeypatch):
    again(job_folder)
    job = open_job(job_folder)
    assert not any(o.kept for o in job.measure(progress=False, cache=False).outcomes)
    assert not any(o.kept for o in measure_takes(job.takes, progress=False, cache=False))
    monkeypatch.setattr(kept, "sources_are_those_in_use", lambda: False)
    assert kept_outcomes() is None
    monkeypatch.undo()
    monkeypatch.setenv("SIGKIT_CACHE", "")
    assert kept_outcomes() is None


def test_a_job_that_moved_is_known_again_and_names_no_old_place(
    job_folder, store, fake_slider, tmp_path
):
    fake_slider.tone(job_folder / "after/slider-hiss.wav", 0.009)
    first, _ = again(job_folder)
    assert all(b"Jane Doe" not in path.read_bytes() for path in store.iterdir())
    moved = tmp_path / "elsewhere"
    job_folder.rename(moved)
    second, now = again(moved)
    assert now == set()
    assert same(first, second)


@pytest.mark.usefixtures("store")
def test_an_error_is_kept_beside_a_library_that_pickles_exceptions_its_own_way(
    job_folder, fake_slider, monkeypatch
):
    """As libraries for clusters do, for the sake of tracebacks."""
    monkeypatch.setitem(
        copyreg.dispatch_table, SignalError, lambda error: (RuntimeError, (str(error),))
    )
    fake_slider.tone(job_folder / "after/slider-hiss.wav", 0.009)
    first, _ = again(job_folder)
    second, now = again(job_folder)
    assert now == set()
    assert same(first, second)


def test_what_is_damaged_or_foreign_is_measured_again(job_folder, store):
    first, _ = again(job_folder)
    entries = sorted(store.iterdir())
    whole = entries[0].read_bytes()
    entries[0].write_bytes(whole[: len(whole) // 2])
    entries[1].write_bytes(whole)  # another capture's outcome under this one's name
    flipped = bytearray(entries[2].read_bytes())
    flipped[-100] ^= 1
    entries[2].write_bytes(flipped)
    entries[3].write_bytes(b"")
    second, now = again(job_folder)
    assert len(now) == 4
    assert same(first, second)
    assert again(job_folder)[1] == set()


def test_no_strange_object_is_ever_made(job_folder, store, tmp_path):
    """Not even where the entry's own hash is right."""
    again(job_folder)
    mark = tmp_path / "mark"

    class Evil:
        def __reduce__(self):
            return os.mkdir, (str(mark),)

    for entry in store.iterdir():
        data = pickle.dumps((Evil(), None, (), 1.0, "", None))
        entry.write_bytes(kept._head(entry.stem, data) + data)
    assert len(again(job_folder)[1]) == 7
    assert not mark.exists()


@pytest.mark.skipif(not hasattr(os, "getuid"), reason="needs owners of files as POSIX has them")
def test_a_folder_that_others_can_write_to_is_not_used(job_folder, store):
    again(job_folder)
    store.chmod(0o777)
    assert len(again(job_folder)[1]) == 7


def test_a_place_that_cannot_be_written_costs_nothing_but_time(job_folder, monkeypatch, tmp_path):
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("SIGKIT_CACHE", str(tmp_path / "file"))
    assert len(again(job_folder)[1]) == 7
    assert (tmp_path / "file").read_text() == ""


def test_what_was_not_asked_for_longest_goes_first(job_folder, store):
    again(job_folder)
    entries = sorted(store.iterdir())
    for age, entry in enumerate(entries):
        os.utime(entry, (1_000_000 - age, 1_000_000 - age))
    size = entries[0].stat().st_size
    KeptOutcomes(store, limit_bytes=round(2.5 * size)).make_room()
    assert sorted(store.iterdir()) == entries[:2]


def test_another_reference_is_another_measurement(tmp_path, fake_slider):
    """A file that a capture is compared with counts by its content, not by its name."""
    folder = tmp_path / "job"
    fake_slider.tone(folder / "before/noise-output.wav", 0.1)
    fake_slider.tone(folder / "before/stability-osc.wav", 0.1)
    (folder / "job.toml").write_text('[options.noise]\nreference = "stability-osc"\n')

    def measure(capture, *, reference=None, mains_hz=None):
        raise NotImplementedError

    take = next(take for take in open_job(folder).takes if take.name.test == "noise")
    first = key_of(take, measure, ["0" * 64])
    assert first == key_of(take, measure, ["0" * 64]) != key_of(take, measure, ["1" * 64])
    fake_slider.tone(folder / "before/stability-osc.wav", 0.2)
    assert key_of(take, measure, ["0" * 64]) not in (first, "")
    (folder / "before/stability-osc.wav").unlink()
    assert key_of(take, measure, ["0" * 64]) == ""
    assert key_of(take, measure, [""]) == ""


def test_the_folder_is_that_of_the_users_cache(monkeypatch, tmp_path):
    monkeypatch.delenv("SIGKIT_CACHE")
    monkeypatch.setattr(kept.sys, "platform", "linux")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    assert kept_outcomes().folder == tmp_path / "sigkit"
    monkeypatch.setenv("XDG_CACHE_HOME", "not/absolute")  # to be ignored, says the specification
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    assert kept_outcomes().folder == tmp_path / "home/.cache/sigkit"


def test_a_capture_without_permission_is_tried_again(job_folder, store, monkeypatch):
    def refused(*_, **__):
        raise InputError("no permission", remedy="ask")

    with monkeypatch.context() as patch:
        patch.setattr("sigkit.evidence.run.one_take.join_parts", refused)
        assert len(again(job_folder)[1]) == 7
    assert not store.exists()
    assert all(outcome.used for outcome in again(job_folder)[0].outcomes)


def test_a_copy_of_the_job_gives_the_same_json(job_folder, store, tmp_path):
    first, _ = again(job_folder)
    shutil.rmtree(store)
    copy = shutil.copytree(job_folder, tmp_path / "copy")
    fresh, now = again(copy)
    assert len(now) == 7
    assert json.dumps(first.to_dict()) == json.dumps(fresh.to_dict())
