"""Takes that the recorder split, from their names to the evidence."""

import hashlib
import itertools
import json
import shutil

import numpy as np
import pytest
import soundfile as sf

from sigkit.errors import InputError
from sigkit.evidence.job.folder import open_job
from sigkit.evidence.manifest import verify
from sigkit.evidence.run.takes import keywords


def split(path, *shares):
    """Cut a capture of the fake job into parts and remove it."""
    sound, rate = sf.read(path, dtype="int16")
    edges = [round(share * sound.size) for share in (0, *shares, 1)]
    parts = []
    for number, (a, b) in enumerate(itertools.pairwise(edges), start=1):
        parts.append(path.with_name(f"{path.stem}-p{number}.wav"))
        sf.write(parts[-1], sound[a:b], rate, subtype="PCM_16")
    path.unlink()
    return parts


def test_parts_are_one_take_and_come_in_the_order_of_their_numbers(job_folder):
    parts = split(job_folder / "before/slider-release.wav", *np.arange(1, 12) / 12)
    job = open_job(job_folder)
    assert job.problems == ()
    assert len(job.takes) == 7
    take = next(t for t in job.takes if t.more)
    assert take.paths == tuple(parts)
    assert take.key == "before/slider-release-p1.wav"
    assert take.keys[11] == "before/slider-release-p12.wav"
    assert (take.name.part, take.name.take) == (0, 1)


def test_a_missing_part_is_said_for_every_file_of_the_take(job_folder):
    parts = split(job_folder / "before/slider-release.wav", 0.3, 0.6)
    parts[1].unlink()
    job = open_job(job_folder)
    told = {error.where: (error.problem, error.remedy) for error in job.problems}
    assert set(told) == {f"before/slider-release-p{n}.wav" for n in (1, 3)}
    for problem, remedy in told.values():
        assert problem == "Part 2 of this take is missing; there are parts 1, 3."
        assert remedy.startswith("Add 'slider-release-p2.wav'; if nothing is missing")
    assert len(job.takes) == 6
    evidence = job.measure(progress=False)
    assert evidence.capture_count == 8
    listed = {entry["path"]: entry for entry in evidence.capture_list()}
    for part in (parts[0], parts[2]):
        entry = listed[f"before/{part.name}"]
        assert entry["sha256"] == hashlib.sha256(part.read_bytes()).hexdigest()
        assert not entry["used"]
    parts[0].unlink()
    (alone,) = open_job(job_folder).problems
    assert alone.problem == "Part 1 of this take is missing; there is part 3."


def test_a_first_part_without_a_number_is_suggested(job_folder):
    path = job_folder / "before/slider-release.wav"
    shutil.copy(path, path.with_name("slider-release-p2.wav"))
    job = open_job(job_folder)
    assert len(job.problems) == 2
    for error in job.problems:
        assert "slider-release.wav beside slider-release-p2.wav" in error.problem
        assert "name it 'slider-release-p1.wav'" in error.remedy
        assert len(str(error).splitlines()) == 3


def test_the_same_part_twice(job_folder):
    parts = split(job_folder / "before/slider-release.wav", 0.5)
    shutil.copy(parts[0], parts[0].with_name("slider-release-p01.wav"))
    (error,) = open_job(job_folder).problems
    assert error.problem.startswith("The stage already has this part: slider-release-p")


def test_settings_go_to_the_whole_take(job_folder):
    parts = split(job_folder / "before/slider-release.wav", 0.5)

    def job(text):
        (job_folder / "job.toml").write_text(text)
        return open_job(job_folder)

    for key in ("slider-release", "slider-release.wav", "slider-release-p1", parts[0].name):
        found = job(f'[captures."before/{key}"]\ngap_s = 1.7\n')
        assert next(t for t in found.takes if t.more).gap_s == 1.7
    for text, problem, remedy in (
        ('[captures."before/slider-release-p2"]\nchannel = 0', "is a part of a take", "whole take"),
        ('[captures."after/slider-release"]\ngap_s = 1', "this one has one", "-p1, -p2"),
        ('[captures."before/slider-release"]\ngap_s = -1', "from 0 to 3600", "list"),
        ('[captures."before/slider-release"]\ngap_s = "1"', "a number or a list", "seam"),
        (
            '[captures."before/slider-release"]\nchannel = 0\n'
            '[captures."before/slider-release-p1"]\ngap_s = 0',
            "Two entries are for the same take",
            "one of them",
        ),
    ):
        with pytest.raises(InputError) as error:
            job(text)
        assert problem in error.value.problem
        assert remedy in error.value.remedy


def test_evidence_lists_every_part_and_verifies(job_folder, tmp_path):
    """Level tests refuse a seam of which nothing is known; as given without a gap it is taken."""
    whole = (job_folder / "before/slider-release.wav").read_bytes()
    parts = split(job_folder / "before/slider-release.wav", 0.4)
    evidence = open_job(job_folder).measure(progress=False)
    assert "recorder began a new file" in next(o for o in evidence.outcomes if o.take.more).reason
    (job_folder / "job.toml").write_text('[captures."before/slider-release"]\ngap_s = 0\n')
    evidence = open_job(job_folder).measure(progress=False)
    outcome = next(o for o in evidence.outcomes if o.take.more)
    assert outcome.used
    assert outcome.joined == "recorded in 2 parts, no gap as given"
    codes = [hashlib.sha256(part.read_bytes()).hexdigest() for part in parts]
    lines = "".join(f"{code}\n" for code in codes)
    assert outcome.sha256 == hashlib.sha256(lines.encode()).hexdigest()
    row = next(r for r in evidence.rows if r.subject == "release")
    assert row.cells["before"].takes == 1
    assert evidence.capture_count == 7
    assert "before: recorded in 2 parts, no gap as given" in row.remarks
    folder = evidence.write(tmp_path / "out")
    manifest = json.loads((folder / "manifest.json").read_text())
    listed = {e["path"]: e for e in manifest["captures"]}
    for number, (part, code) in enumerate(zip(parts, codes, strict=True), start=1):
        entry = listed[f"before/{part.name}"]
        assert (entry["sha256"], entry["bytes"]) == (code, part.stat().st_size)
        assert (entry["part"], entry["used"]) == (f"{number} of 2", True)
        assert code in (folder / "report.html").read_text()
    assert "part 2 of 2: yes" in (folder / "report.html").read_text()
    results = json.loads((folder / "results.json").read_text())
    ours = next(c for c in results["captures"] if c["joined"])
    assert [f["key"] for f in ours["files"]] == [f"before/{part.name}" for part in parts]
    assert verify(folder, job_folder).ok
    parts[1].write_bytes(whole)
    assert verify(folder, job_folder).changed == (f"before/{parts[1].name}",)


def test_a_part_that_lies_in_another_take_too_is_pointed_out(job_folder):
    parts = split(job_folder / "before/slider-release.wav", 0.5)
    shutil.copy(parts[1], job_folder / "after/slider-copied.wav")
    evidence = open_job(job_folder).measure(progress=False)
    problems = [p for p in evidence.problems if "same recording" in p.problem]
    assert [(p.where, p.problem.partition(",")[0]) for p in problems] == [
        ("after/slider-copied.wav", f"The same recording as before/{parts[1].name}")
    ]


def test_an_unreadable_part_is_named(job_folder):
    parts = split(job_folder / "before/slider-release.wav", 0.5)
    parts[1].write_bytes(b"no sound at all")
    evidence = open_job(job_folder).measure(progress=False)
    lost = [p for p in evidence.problems if p.lost]
    assert [p.where for p in lost] == [f"before/{parts[1].name}"]


def test_what_a_name_or_a_reading_leaves_open_is_remarked(job_folder, fake_slider):
    parts = split(job_folder / "before/slider-release.wav", 0.5)
    parts[1].unlink()
    fake_slider.tone(job_folder / "before/warmup-osc.wav", 0.5)
    (job_folder / "readings.csv").write_text("stage,date_time,room_c\nbefore,2026-03-02 10:25,20\n")
    job = open_job(job_folder)
    remarks = {take.key: take.remarks for take in job.takes if take.remarks}
    assert remarks == {
        "before/slider-release-p1.wav": (
            "named as part 1 of a take, and no part 2 lies beside it",
        ),
        "before/warmup-osc.wav": (
            "times of day in readings.csv not used: job.toml does not say under "
            '[captures."before/warmup-osc"] when it was switched_on',
        ),
    }
    evidence = job.measure(progress=False)
    outcome = next(o for o in evidence.outcomes if o.take.key == "before/slider-release-p1.wav")
    assert "named as part 1 of a take, and no part 2 lies beside it" in outcome.remarks
    folder = evidence.write(job_folder / "evidence")
    settings = json.loads((folder / "manifest.json").read_text())["settings"]
    code = hashlib.sha256((job_folder / "readings.csv").read_bytes()).hexdigest()
    assert settings["readings_sha256"] == code


def test_options_reach_a_measure_that_knows_them(job_folder, fake_slider):
    """Mains of the unit, both ends of the power-on time and the room go to who asks for them."""
    fake_slider.tone(job_folder / "before/warmup-osc.wav", 0.5)
    (job_folder / "job.toml").write_text(
        '[captures."before/warmup-osc"]\npower_on_earliest_s = -900\npower_on_latest_s = -300\n'
        "switched_on = 2026-03-02T10:15:00+01:00\n"
    )
    (job_folder / "readings.csv").write_text(
        "stage,date_time,room_c\nbefore,2026-03-02 10:25,20.5\n"
    )
    take = next(t for t in open_job(job_folder).takes if t.name.test == "warmup")

    def knows(capture, *, power_on_s=0.0, power_on_latest_s=None, readings=None):
        """Stand for a measure."""

    def knows_less(capture, *, power_on_s=0.0):
        """Stand for a measure."""

    given = keywords(take, knows)
    assert (given["power_on_s"], given["power_on_latest_s"]) == (-900, -300)
    assert given["readings"].to_numpy().tolist() == [[600.0, 20.5]]
    assert keywords(take, knows_less) == {"power_on_s": -900}


def test_the_units_mains_go_to_every_test_that_has_the_option(job_folder, monkeypatch):
    import dataclasses

    from sigkit.measures import TESTS

    tests = dict(TESTS)
    for name in ("slider", "stability"):
        options = {**TESTS[name].options, "mains_hz": (float, int)}
        tests[name] = dataclasses.replace(TESTS[name], options=options)
    monkeypatch.setattr("sigkit.evidence.job.folder.TESTS", tests)
    (job_folder / "job.toml").write_text(
        'mains_hz = 60\n[captures."before/slider-release"]\nmains_hz = 50\n'
    )
    options = {take.key: take.options for take in open_job(job_folder).takes}
    assert options["before/slider-release.wav"] == {"mains_hz": 50}
    assert options["after/slider-release.wav"] == {"mains_hz": 60}
