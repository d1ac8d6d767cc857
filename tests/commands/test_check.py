"""``sigkit check`` and `sigkit.check_captures`: what they print, return and leave alone."""

from __future__ import annotations

import hashlib
import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf
from defects import make_clean
from defects_planted import make_planted
from sample import SAMPLE

import sigkit
from sigkit.cli import main
from sigkit.errors import InputError


@pytest.fixture
def folder(tmp_path):
    """Four captures: a good one, a clipped one, a copy at another gain, and one that is none."""
    good = replace(make_clean("glide", 1), subtype="PCM_24")
    bad = make_planted("clipped", 1)
    good.write(tmp_path / "glide-portamento-half.wav")
    bad.write(tmp_path / "slider-volume.wav")
    quiet = 0.5 * good.frames
    sf.write(tmp_path / "glide-portamento-full.wav", quiet, good.rate, subtype="PCM_24")
    (tmp_path / "noise-output.wav").write_bytes(b"Dear diary")
    return tmp_path


def hashes(folder: Path) -> dict[str, str]:
    files = (p for p in folder.rglob("*") if p.is_file())
    return {str(p): hashlib.sha256(p.read_bytes()).hexdigest() for p in files}


def test_every_capture_of_a_folder_is_checked_and_nothing_is_written(folder, capsys):
    before = hashes(folder)
    assert main(["check", str(folder)]) == 1
    out = capsys.readouterr().out
    assert hashes(folder) == before
    assert all(len(line) <= 80 for line in out.splitlines() if str(folder) not in line)
    *_, count, again, first, second, unreadable, diary = out.rstrip().splitlines()
    assert count == "4 captures: 1 usable, 2 record again, 1 unreadable"
    assert (again, unreadable) == ("record again:", "unreadable:")
    names = [Path(name.strip()).name for name in (first, second, diary)]
    assert names == ["glide-portamento-half.wav", "slider-volume.wav", "noise-output.wav"]
    assert "copy of another capture: record again: the same sound at" in out
    assert "clipped: record again" in out
    assert "  The file is not audio" in out


def test_a_good_capture_ends_with_zero(folder, capsys):
    assert main(["check", str(folder / "glide-portamento-half.wav")]) == 0
    assert capsys.readouterr().out.rstrip().endswith("1 capture: 1 usable")


def test_a_name_that_the_job_will_leave_out_is_said_at_the_bench(folder, tmp_path, capsys):
    stage = tmp_path / "job" / "1_before"
    stage.mkdir(parents=True)
    path = stage / "holiday.wav"
    shutil.copy(folder / "glide-portamento-half.wav", path)
    assert main(["check", str(path)]) == 0
    assert "leaves it out" not in capsys.readouterr().out  # a file somewhere, no job
    (tmp_path / "job" / "job.toml").touch()
    assert main(["check", str(path)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "the job leaves it out: The capture's name does not say its test and subject" in said
    assert main(["check", str(path), "--test", "glide"]) == 0
    assert "leaves it out" not in capsys.readouterr().out


def test_the_test_can_be_named(folder, capsys):
    path = str(folder / "glide-portamento-half.wav")
    assert main(["check", path, "--test", "warmup"]) == 1
    assert "warmup needs 60 s and more" in capsys.readouterr().out
    assert main(["check", path, "--test", "warm-up"]) == 2
    assert len(capsys.readouterr().err.splitlines()) == 3


def test_a_missing_file_is_listed_and_the_others_are_checked(folder, capsys):
    paths = [str(folder / "nothing.wav"), str(folder / "glide-portamento-half.wav")]
    assert main(["check", *paths]) == 1
    out = capsys.readouterr().out
    assert "There is no such file." in out
    assert "2 captures: 1 usable, 1 unreadable" in out


def test_the_result_in_a_notebook(folder):
    checks = sigkit.check_captures(folder)
    assert not checks.ok
    table = checks.summary()
    assert len(table) == 4
    assert list(table.columns[:3]) == ["capture", "test", "verdict"]
    assert set(table["verdict"]) == {"usable", "record again", "unreadable"}
    assert json.loads(json.dumps(checks.to_dict(), allow_nan=False))["ok"] is False
    shown = checks._repr_html_()
    assert shown.count("<tr>") == 5
    assert "unreadable" in str(checks)
    (one,) = sigkit.check_captures(folder / "glide-portamento-half.wav").checks
    assert (one.test, one.channels, one.bits) == ("glide", 1, "24 bit")
    assert one.duration_s > 8
    assert one.level_dbfs == pytest.approx(one.fitness.level_dbfs)
    with pytest.raises(InputError, match="no bench test"):
        sigkit.check_captures(folder, test="glides")


def test_a_job_is_checked_by_its_takes_and_channels(tmp_path):
    """A take in two parts counts once; job.toml says which channel holds the sound."""
    stage = tmp_path / "1_before"
    stage.mkdir()
    made = make_clean("glide", 1)
    half = len(made.frames) // 2
    for i, part in enumerate((made.frames[:half], made.frames[half:]), start=1):
        loud = 0.9 * np.sign(np.sin(np.arange(len(part)) / 50))
        both = np.stack([loud, part], axis=1)
        sf.write(stage / f"glide-portamento-p{i}.wav", both, made.rate, subtype="PCM_24")
    (tmp_path / "job.toml").write_text('[captures."1_before/glide-portamento"]\nchannel = 1\n')
    (check,) = sigkit.check_captures(tmp_path).checks
    assert check.name.endswith("1_before/glide-portamento-p1.wav")
    assert check.duration_s == pytest.approx(len(made.frames) / made.rate)
    assert "wrong content" not in [problem.kind for problem in check.problems]
    (tmp_path / "job.toml").write_text("units = 1\n")
    with pytest.raises(InputError, match="units"):
        sigkit.check_captures(tmp_path)


def test_of_the_sample_only_the_capture_planted_as_unfit_is_rejected(tmp_path):
    """Two takes of each kind are enough; the whole sample is checked by the benchmark's figures."""
    names = "slider-oscillator_1_level slider-oscillator_2_level stability-oscillator_2"
    names += " glide-portamento-50 noise-output envelope-loudness waveform-oscillator_2-square"
    for path in sorted(SAMPLE.glob("*/*.wav")):
        if path.stem in names.split():
            (tmp_path / path.parent.name).mkdir(exist_ok=True)
            shutil.copy(path, tmp_path / path.parent.name / path.name)
    again = [c.name for c in sigkit.check_captures(tmp_path).checks if c.verdict == "record again"]
    assert [Path(name).as_posix()[-47:] for name in again] == [
        f"{tmp_path}/2_cleaned/slider-oscillator_1_level.wav"[-47:]
    ]


def test_what_harms_other_tests_only_is_no_reason_to_record_again(tmp_path, capsys):
    t = np.arange(12 * 44100) / 44100
    clipped = np.clip(1.5 * np.sin(2 * np.pi * 220.3 * t), -1, 1)
    for name in ("stability-osc.wav", "envelope-loudness.wav"):
        sf.write(tmp_path / name, clipped, 44100, subtype="PCM_24")
    main(["check", str(tmp_path / "stability-osc.wav")])
    assert "  clipped: " in (out := capsys.readouterr().out)
    assert "usable with remarks" in out
    assert "clipped: record again" not in out
    main(["check", str(tmp_path / "envelope-loudness.wav")])
    assert "clipped: record again" in capsys.readouterr().out
