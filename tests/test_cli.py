import importlib.util
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import sigkit
from sigkit.cli import main

_spec = importlib.util.spec_from_file_location(
    "evidence_fixtures", Path(__file__).parent / "evidence" / "conftest.py"
)
_fixtures = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(_fixtures)
fake_slider = _fixtures.fake_slider
job_folder = _fixtures.job_folder


def test_evidence_prints_a_table_of_at_most_80_columns(job_folder, capsys):
    assert main(["evidence", str(job_folder)]) == 0
    out, err = capsys.readouterr()
    table = out.partition("Written:")[0]
    assert max(map(len, table.splitlines())) <= 80
    for words in ("Slider pass: volume", "improved", "worse", "outside limits", "7 of 7 captures"):
        assert words in table
    assert err == ""
    assert (job_folder / "evidence" / "report.html").is_file()


def test_evidence_elsewhere(job_folder, tmp_path, capsys):
    assert main(["evidence", str(job_folder), "--out", str(tmp_path / "new" / "place")]) == 0
    assert (tmp_path / "new/place/manifest.json").is_file()
    assert not (job_folder / "evidence").exists()
    assert "place" in capsys.readouterr().out


def test_a_lost_capture_is_a_problem_but_not_the_end(job_folder, capsys):
    shutil.copy(job_folder / "before/slider-release.wav", job_folder / "before/slyder-x.wav")
    assert main(["evidence", str(job_folder)]) == 1
    out = capsys.readouterr().out
    assert "before/slyder-x.wav: There is no bench test named 'slyder'." in out
    assert "7 of 8 captures used" in out


def test_a_job_without_a_single_measured_capture_is_a_problem(job_folder, fake_slider, capsys):
    for path in job_folder.rglob("*.[wW][aA][vV]"):
        fake_slider.tone(path, 0.009)
    assert main(["evidence", str(job_folder)]) == 1
    out = capsys.readouterr().out
    assert "0 of 7 captures used" in out
    assert "No tone in before/slider-release.wav." in " ".join(out.split())
    report = (job_folder / "evidence/report.html").read_text()
    assert "No tone in before/slider-release.wav." in report


def test_one_measured_capture_is_enough(job_folder, fake_slider):
    for path in job_folder.rglob("slider-[!n]*.[wW][aA][vV]"):
        fake_slider.tone(path, 0.009)
    assert main(["evidence", str(job_folder)]) == 0


def test_the_table_says_why_stages_are_not_comparable_and_says_it_once(job_folder, capsys):
    (job_folder / "job.toml").write_text(
        '[captures."after/slider-release"]\ncontrols = "level"\n'
        '[stages.followup]\nreason = "sold before it could be tested again"\n'
    )
    assert main(["evidence", str(job_folder)]) == 0
    out = capsys.readouterr().out
    table = out.partition("Written:")[0]
    assert max(map(len, table.splitlines())) <= 80
    _, noise, release, _ = " ".join(table.split()).split("Slider pass: ")
    assert "change not comparable: measured with other options" in release
    assert "change not comparable: no capture in after" in noise
    floor = release.partition("detection floor")[2]
    assert floor.count("the tone hides it") == 2
    assert "change not measurable Outside limits: loudest burst re tone (in after," in floor
    assert floor.count("not tested since). Often: ") == 1


def test_what_every_change_of_a_group_needs_is_said_once(job_folder, capsys):
    (job_folder / "readings.csv").write_text(
        "stage;rail_plus_v\nbefore;14,60\nafter;15,00\nafter;15,02\n"
    )
    assert main(["evidence", str(job_folder)]) == 0
    table = capsys.readouterr().out.partition("Written:")[0]
    assert max(map(len, table.splitlines())) <= 80
    *_, volume = " ".join(table.split()).split("Slider pass: ")
    said = "rails retrimmed between: plus +14.60 to +15.01 V; includes the effect of the new rail"
    assert volume.count(f"remark: {said} setting") == 1
    assert "ratio of rates" not in table
    report = (job_folder / "evidence/report.html").read_text()
    section = report.partition('<h3 id="slider-volume">')[2].partition("<h3")[0]
    assert section.count(said) == 1
    assert f"To every change in this table: {said} setting.</p>" in section


def test_a_reason_of_a_stage_is_not_told_again(job_folder, capsys):
    shutil.rmtree(job_folder / "before")
    (job_folder / "job.toml").write_text('[stages.before]\nreason = "not safe to power"')
    main(["evidence", str(job_folder)])
    out = capsys.readouterr().out
    assert "change  not comparable: no capture in before\n" in out
    assert out.count("not safe to power") == 2 * 3


@pytest.mark.parametrize(
    ("call", "line"),
    [
        (["evidence", "nowhere"], "There is no such job folder."),
        (["verify", "nowhere"], "There is no such folder of evidence."),
        (["evidence"], "The following arguments are required: FOLDER."),
        (["evdence", "x"], "There is no command 'evdence'."),
        (["check", "x", "--jason"], "This is one word too many, or no option here: --jason."),
    ],
)
def test_wrong_calls_give_three_lines(call, line, capsys):
    try:
        code = main(call)
    except SystemExit as end:
        code = end.code
    out, err = capsys.readouterr()
    assert code == 2
    assert out == ""
    lines = err.splitlines()
    assert len(lines) == 3
    assert lines[0].startswith(line)
    assert all(lines)


def test_no_command_shows_what_there_is(capsys):
    assert main([]) == 2
    out = capsys.readouterr().out
    assert "commands:" in out
    assert "example:" in out


def test_verify(job_folder, capsys):
    main(["evidence", str(job_folder)])
    folder = job_folder / "evidence"
    assert main(["verify", str(folder), "--captures", str(job_folder)]) == 0
    (job_folder / "after/slider-release.wav").rename(job_folder.parent / "back.wav")
    assert main(["verify", str(folder), "--captures", str(job_folder.parent / "back.wav")]) == 0
    out = capsys.readouterr().out
    assert "back.wav matches capture after/slider-release.wav, unchanged" in out
    other = job_folder / "README.md"
    other.write_text("a note")
    assert main(["verify", str(folder), "--captures", str(other)]) == 1
    out = capsys.readouterr().out
    assert "not in the list: README.md" in out
    assert "outputs and captures" not in out
    (folder / "results.csv").write_text("")
    capsys.readouterr()
    assert main(["verify", str(folder)]) == 1
    assert "changed: results.csv" in capsys.readouterr().out
    assert main(["verify", str(folder), "--recompute"]) == 2
    assert "whole job" in capsys.readouterr().err


def test_a_second_run_goes_beside_the_first_and_says_what_is_the_same(
    job_folder, fake_slider, monkeypatch, capsys, tmp_path
):
    monkeypatch.setenv("SIGKIT_CACHE", str(tmp_path / "kept"))
    monkeypatch.setattr("sigkit.evidence.run.kept.ROOMS", ("sigkit", "sigkit_fake"))
    monkeypatch.setattr("sigkit.evidence.report.pictures.drawings_of", lambda *_: [])
    monkeypatch.setattr("sigkit.evidence.listing.pictures.listing_drawings", lambda *_: [])
    monkeypatch.setattr("sigkit.evidence.listing.kit.kit_of", lambda *_, **__: {})
    assert main(["evidence", str(job_folder)]) == 0
    assert "Captures: 7 measured now\n" in capsys.readouterr().out
    fake_slider.tone(job_folder / "followup/slider-release.wav", 0.3)
    assert main(["evidence", str(job_folder)]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "Captures: 1 measured now, 7 taken from an earlier run: same SHA-256" in out
    assert "Beside evidence, untouched: the same captures in before, after" in out
    assert "number for number" not in out
    assert main(["verify", str(job_folder / "evidence"), "--captures", str(job_folder)]) == 0
    assert "added later, no part of this evidence: captures of stage followup" in (
        capsys.readouterr().out
    )
    assert main(["evidence", str(job_folder), "--fresh"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "Captures: 8 measured now" in out
    assert "the same results, number for number" in out


def test_interrupt_leaves_nothing_half_written(job_folder, monkeypatch, capsys):
    def interrupted(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr("sigkit.evidence.report.pictures.drawings_of", interrupted)
    assert main(["evidence", str(job_folder)]) == 130
    assert sorted(p.name for p in job_folder.iterdir()) == ["after", "before"]
    assert len(capsys.readouterr().err.splitlines()) == 1


def test_interrupt_at_the_start_leaves_no_trace(monkeypatch, capsys):
    def interrupted():
        raise KeyboardInterrupt

    monkeypatch.setattr("sigkit.cli._parser", interrupted)
    assert main(["evidence", "nowhere"]) == 130
    out, err = capsys.readouterr()
    assert (out, len(err.splitlines())) == ("", 1)


def test_version_and_help(capsys):
    with pytest.raises(SystemExit, match="0"):
        main(["--version"])
    assert capsys.readouterr().out == f"sigkit {sigkit.__version__}\n"
    run = subprocess.run(
        [sys.executable, "-c", "import sys; from sigkit.cli import main; sys.exit(main())", "-h"],
        capture_output=True,
        text=True,
        check=True,
    )
    assert "evidence" in run.stdout
    assert run.stderr == ""
