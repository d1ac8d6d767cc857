"""``sigkit new``: a job that opens as soon as something is recorded."""

import os
import re
import shlex
import shutil

import pytest
from sample import SAMPLE

import sigkit
from sigkit.cli import main

NOTE = SAMPLE / "1_before" / "stability-oscillator_2.wav"


def test_a_new_job_opens_with_its_first_capture(tmp_path, capsys):
    folder = tmp_path / "my job"
    assert main(["new", str(folder), "--unit", 'K "14"', "--mains", "50", "--no-sheets"]) == 0
    out = capsys.readouterr().out
    assert "job.toml" in out
    assert "sigkit record" in out
    shutil.copy(NOTE, folder / "1_before")
    job = sigkit.open_job(folder)
    assert (job.settings.unit, job.settings.wide["mains_hz"]) == ('K "14"', 50)
    assert job.repairs == ()
    assert [stage.name for stage in job.stages] == ["1_before"]
    assert job.problems == ()


def test_what_is_commented_out_in_the_settings_may_be_filled_in(tmp_path):
    folder = tmp_path / "job"
    assert main(["new", str(folder), "--no-sheets", "--stages", "1_before", "zwei ü"]) == 0
    path = folder / "job.toml"
    offered = r"(?m)^# ((unit|description|mains_hz|lowest_key|keys|date|room_c|gain_db|scale_error"
    offered += r"|owner) = |\[limits|\[private)"
    path.write_text(re.sub(offered, r"\1", path.read_text(encoding="utf-8")), encoding="utf-8")
    for name in ("1_before", "zwei ü"):
        shutil.copy(NOTE, folder / name)
    job = sigkit.open_job(folder)
    assert [stage.gain_db for stage in job.stages] == [24, 24]
    assert job.settings.limits == {("keyboard", "scale_error"): 2}


def test_the_sheets_of_a_job_are_no_stage(tmp_path, capsys):
    folder = tmp_path / "job"
    assert main(["new", str(folder)]) == 0
    assert len(list((folder / "sheets").glob("*.html"))) == 9
    shutil.copy(NOTE, folder / "1_before")
    assert [stage.name for stage in sigkit.open_job(folder).stages] == ["1_before"]
    capsys.readouterr()


def test_nothing_that_is_there_is_touched(tmp_path, capsys):
    log = tmp_path / "repairs.csv"
    log.write_text("stage,done\n1_before,mine\n", encoding="utf-8")
    assert main(["new", str(tmp_path), "--no-sheets"]) == 0
    assert log.read_text(encoding="utf-8") == "stage,done\n1_before,mine\n"
    before = (tmp_path / "job.toml").read_bytes()
    capsys.readouterr()
    assert main(["new", str(tmp_path), "--unit", "B2"]) == 2
    assert len(capsys.readouterr().err.splitlines()) == 3
    assert (tmp_path / "job.toml").read_bytes() == before


@pytest.mark.parametrize("name", ["../x", "evidence_1", ".hidden", " "])
def test_a_stage_needs_a_plain_name(tmp_path, name, capsys):
    assert main(["new", str(tmp_path / "job"), "--stages", name, "--no-sheets"]) == 2
    assert "cannot be the name of a stage" in capsys.readouterr().err
    assert not (tmp_path / "job").exists()


def test_what_to_type_next_can_be_typed(tmp_path, monkeypatch, capsys):
    """Also where the folder has spaces and umlauts in its name."""
    monkeypatch.chdir(tmp_path)
    assert main(["new", "Mein Gerät", "--no-sheets"]) == 0
    line = capsys.readouterr().out.splitlines()[-1]
    if os.name != "nt":
        assert shlex.split(line)[2] == "Mein Gerät/1_before"
