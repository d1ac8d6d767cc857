"""repairs.csv as hands and spreadsheets write it, and what may be put down to a repair."""

import html
import json

import pytest

import sigkit
from sigkit.errors import InputError
from sigkit.evidence.logs.repairs import NONE_LOGGED, attribution, between, read_repairs
from sigkit.evidence.logs.spreadsheet import as_clock, spoilt_fraction

DATES = {"1_before": "2026-03-02", "2_rails": "2026-03-09", "3_after": "2026-03-23"}
HEAD = "date,stage,section,subject,found,done,part,note,corrects"


def read(tmp_path, text, dates=DATES):
    path = tmp_path / "repairs.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_repairs(path, dates)


def test_no_file_is_not_an_empty_log(tmp_path):
    assert read_repairs(tmp_path / "repairs.csv", DATES) is None
    assert read(tmp_path, f"{HEAD}\n") == ()


def test_a_line_with_its_stage_or_placed_by_its_date(tmp_path):
    text = (
        f"{HEAD}\n"
        "2026-03-05,,power supply,,ripple,filter capacitors replaced,4700 uF,private words,\n"
        ',3_after,,"Volume, filter cutoff",,cleaned,,,\n'
        "2026-04-01,,keys,,,bushings replaced,,,\n"
    )
    first, second, third = read(tmp_path, text)
    assert (first.line, first.stage, first.date) == (2, "2_rails", "2026-03-05")
    assert (first.part, first.found, first.subjects) == ("4700 uF", "ripple", ())
    assert (second.stage, second.subjects) == ("3_after", ("volume", "filter_cutoff"))
    assert third.stage == ""
    assert "private" not in repr((first, second, third))


@pytest.mark.parametrize(
    "data",
    [
        "\ufeffdate;stage;done\r\n5.3.2026;;caps\r\n".encode(),
        "Date\tStage\tDone\n05/03/2026\t2_rails\tcaps\n".replace("05/03", "25/02").encode("utf-16"),
        b'sep=,\ndate,done\n"2026-03-05",caps\n',
    ],
)
def test_spreadsheets_of_several_countries(tmp_path, data):
    (repair,) = read(tmp_path, data)
    assert (repair.stage, repair.done) == ("2_rails", "caps")


def test_a_correction_is_a_new_line_that_takes_the_old_ones_place(tmp_path):
    text = (
        "stage,done,corrects\n2_rails,trimmed to 14.9 V,\n3_after,bus,\n2_rails,trimmed to 15 V,2\n"
    )
    assert [r.done for r in read(tmp_path, text)] == ["bus", "trimmed to 15 V"]


@pytest.mark.parametrize(
    ("text", "problem", "remedy", "line"),
    [
        ("stag,done\n", "Unknown column 'stag'", "'stage'", 1),
        ("stage,found\n", "no column 'done'", "what was done", 1),
        ("stage,done\n3_aftr,x\n", "no stage '3_aftr'", "'3_after'", 2),
        ("stage,done\n3_after,\n", "what was done", "'done'", 2),
        ("done\nx\n", "before which stage", "'stage'", 2),
        ("date,done\n2026-03-09,x\n", "on the same day", "'stage'", 2),
        ("date,done\n03/04/2026,x\n", "read in two ways", "2026-03-02", 2),
        ("date,done\n31.2.2026,x\n", "no date", "2026-03-02", 2),
        ("stage,done,part\n3_after,x,01. Apr\n", "such as 1/4", "0.25 W", 2),
        ("stage,done,part\n3_after,x,2026-04-01\n", "such as 1/4", "0.25 W", 2),
        ("stage,done,corrects\n3_after,x,9\n", "no earlier repair", "line 1", 2),
        ("stage,done,corrects\n3_after,x,2\n", "no earlier repair", "line 1", 2),
        ("stage,done,corrects\n3_after,x,first\n", "must be a line", "number", 2),
        ("stage,done,corrects\n3_after,x,²\n", "must be a line", "number", 2),
        ("stage,date,done\n1_before,2026-03-10,x\n", "come before 1_before", "date", 2),
    ],
)
def test_what_makes_no_sense_is_refused_with_its_line(tmp_path, text, problem, remedy, line):
    with pytest.raises(InputError) as error:
        read(tmp_path, text)
    assert problem in error.value.problem
    assert remedy in error.value.remedy
    assert error.value.where == f"repairs.csv, line {line}"


@pytest.mark.parametrize(
    "cell", ["10 ohm", "16 volt", "2 keys", "47 nF", "1/4 W", "10.04", "", "C4"]
)
def test_no_part_is_taken_for_a_spoilt_fraction(cell):
    assert not spoilt_fraction(cell)


@pytest.mark.parametrize(
    "cell",
    ["01. Apr", "1-Apr", "Apr 1", "01-Apr-26", "4. Mrz.", "1 avr", "1.4.", "1.4.2026", "4/1/2026"],
)
def test_what_spreadsheets_make_of_a_fraction(cell):
    assert spoilt_fraction(cell)


def test_a_day_above_twelve_tells_which_number_it_is():
    assert as_clock("25/03/2026") == as_clock("03/25/2026") == as_clock("2026-03-25")
    assert as_clock("03/03/2026") == as_clock("2026-03-03")
    assert as_clock("03/04/2026") is None
    assert as_clock("some day") is None


def test_only_repairs_in_between_and_of_the_subject_count(tmp_path):
    text = (
        "stage,subject,done\n1_before,,before it all\n2_rails,,rails trimmed\n"
        "3_after,volume,cleaned\n3_after,release,replaced\n"
    )
    repairs = read(tmp_path, text)
    stages = list(DATES)
    both = between(repairs, "volume", stages, "1_before", "3_after")
    assert [r.done for r in both] == ["rails trimmed", "cleaned"]
    assert "cannot be put down to one of them" in attribution(both)
    one = between(repairs, "volume", stages, "2_rails", "3_after")
    assert (
        attribution(one)
        == "one repair that may have changed it is logged in between: cleaned (volume)"
    )
    assert attribution(between(repairs, "x", stages, "1_before", "1_before")) == NONE_LOGGED


def test_a_job_says_it_beside_every_change(job_folder, tmp_path):
    text = "stage,subject,found,done,note\nafter,volume,dirt,cleaned,owner Jane\n"
    text += "after,,hum,new caps,\n"
    (job_folder / "repairs.csv").write_text(text, encoding="utf-8")
    evidence = sigkit.open_job(job_folder).measure(progress=False)
    said = {row.subject: " ".join(row.remarks) for row in evidence.rows if row.has_change}
    assert "2 repairs lie between" in said["volume"]
    assert "one repair that may have changed it is logged in between: new caps" in said["release"]
    written = evidence.write(tmp_path / "evidence")
    report = html.unescape((written / "report.html").read_text(encoding="utf-8"))
    assert "What was done" in report
    assert "new caps" in report
    assert "Jane" not in report
    results = json.loads((written / "results.json").read_text(encoding="utf-8"))
    assert [r["done"] for r in results["repairs"]] == ["cleaned", "new caps"]


def test_without_a_log_nothing_is_said_of_repairs(job_folder):
    evidence = sigkit.open_job(job_folder).measure(progress=False)
    assert not any("repair" in remark for row in evidence.rows for remark in row.remarks)


def test_a_subject_nearly_right_is_a_problem_and_an_unrecorded_one_is_none(job_folder):
    text = "stage,subject,done\nafter,volum,cleaned\nafter,lfo_rate,cleaned\n"
    (job_folder / "repairs.csv").write_text(text, encoding="utf-8")
    (problem,) = [p for p in sigkit.open_job(job_folder).problems if "repairs" in str(p)]
    assert "'volum'" in problem.problem
    assert "'volume'" in problem.problem


def test_the_log_only_grows_and_reads_back(job_folder):
    assert sigkit.log_repair(job_folder, "rails trimmed", stage="after", section="supply") == 2
    before = (job_folder / "repairs.csv").read_bytes()
    third = sigkit.log_repair(job_folder, "to 15.00 V,\nboth", stage="after", corrects=2)
    assert third == 3
    after = (job_folder / "repairs.csv").read_bytes()
    assert after.startswith(before)
    (repair,) = sigkit.open_job(job_folder).repairs
    assert (repair.done, repair.corrects) == ("to 15.00 V, both", 2)


def test_a_log_begun_by_hand_keeps_its_columns(job_folder):
    path = job_folder / "repairs.csv"
    path.write_text("Stage;Done\nafter;cleaned", encoding="utf-8")
    assert sigkit.log_repair(job_folder, "dried; twice", stage="after") == 3
    assert path.read_text(encoding="utf-8") == 'Stage;Done\nafter;cleaned\nafter;"dried; twice"\n'
    with pytest.raises(InputError, match="no column 'part'"):
        sigkit.log_repair(job_folder, "x", stage="after", part="4700 uF")


@pytest.mark.parametrize(
    "log",
    [
        "Stage;Done\nafter;für\n".encode("cp1252"),
        "Stage\tDone\nafter\tfür\n".encode("utf-16"),
        "\ufeffsep=;\r\nStage;Done\r\nafter;für\r\n".encode(),
        "Stage;Done\rafter;für\r".encode(),
        "Stage;Done\nafter;für\u2028\n".encode(),
    ],
)
def test_a_spreadsheets_log_grows_in_its_own_encoding(job_folder, log):
    path = job_folder / "repairs.csv"
    path.write_bytes(log)
    line = sigkit.log_repair(job_folder, "Lötstelle", stage="after")
    assert path.read_bytes().startswith(log)
    first, second = sigkit.open_job(job_folder).repairs
    assert (first.done.strip(), second.done, second.line) == ("für", "Lötstelle", line)


def test_a_letter_that_an_old_encoding_lacks_is_said(job_folder):
    path = job_folder / "repairs.csv"
    path.write_bytes("Stage;Done\nafter;für\n".encode("cp1252"))
    with pytest.raises(InputError, match="has no 'Ω'"):
        sigkit.log_repair(job_folder, "10 kΩ", stage="after")


def test_an_empty_repair_and_a_missing_folder_are_refused(job_folder):
    with pytest.raises(InputError, match="Nothing was done"):
        sigkit.log_repair(job_folder, "  ")
    with pytest.raises(InputError, match="before which stage"):
        sigkit.log_repair(job_folder, "x")
    with pytest.raises(InputError, match="no such job folder"):
        sigkit.log_repair(job_folder / "nowhere", "x")
