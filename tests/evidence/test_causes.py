"""What lies outside its limit carries its causes into table, report, command and JSON."""

import html
import json
from dataclasses import replace

import pytest

import sigkit
from sigkit.commands.evidence import table_lines
from sigkit.errors import InputError
from sigkit.evidence.logs.own_causes import read_causes
from sigkit.evidence.rows.row_causes import with_causes
from sigkit.judging.causes import causes
from sigkit.judging.limits import LimitVerdict

HEAD = "test,quantity,sign,alike,often,step,cautions,source"
LOOSE = causes()["slider", "worst_level", "any", "any"]


@pytest.fixture
def evidence(job_folder):
    return sigkit.open_job(job_folder).measure(progress=False)


def test_only_what_lies_outside_has_a_cause(evidence):
    """As last tested: a fault that nobody looked at again has its causes still."""
    outside = [row for row in evidence.rows if row.held.word == "outside limits"]
    assert {bool(row.since) for row in outside} == {False, True}
    for row in evidence.rows:
        known = (row.test, row.judged.quantity, "any", "any") in causes()
        assert (row.cause is not None) == (row in outside and known)


def test_it_stands_in_the_table_the_report_the_command_and_the_json(evidence, tmp_path):
    told = evidence.causes
    line = told[(told["subject"] == "release") & (told["quantity"] == "worst_level")].iloc[0]
    assert line["often"] == "; ".join(LOOSE.often)
    assert line["next_step"] == LOOSE.step
    written = evidence.write(tmp_path / "evidence")
    report = html.unescape((written / "report.html").read_text(encoding="utf-8"))
    assert f"Often: {'; '.join(LOOSE.often)}. Next step: {LOOSE.step}." in report
    said = " ".join(" ".join(table_lines(evidence)).split())
    assert f"Outside limits: loudest burst re tone. {LOOSE}" in said
    rows = json.loads((written / "results.json").read_text(encoding="utf-8"))["rows"]
    causes_told = [row["cause"] for row in rows if row["cause"] is not None]
    assert LOOSE.to_dict() in causes_told


def test_the_benchs_own_file_goes_first_and_says_so(job_folder, tmp_path):
    own = '\ufefftest;quantity;often;step\nslider;worst_level;"spilt drink; felt worn";dry it\n'
    (job_folder / "causes.csv").write_text(own, encoding="utf-8")
    evidence = sigkit.open_job(job_folder).measure(progress=False)
    line = evidence.causes[evidence.causes["quantity"] == "worst_level"].iloc[0]
    assert (line["often"], line["next_step"]) == ("spilt drink; felt worn", "dry it")
    assert line["source"] == "set for this job"
    report = (evidence.write(tmp_path / "evidence") / "report.html").read_text(encoding="utf-8")
    assert "set for this job" in report


def test_all_subjects_off_alike_point_to_what_they_share(evidence):
    outside = next(row for row in evidence.rows if row.limit_verdict.word == "outside limits")
    kind = outside.test, outside.judged.quantity
    alone, shared = (causes()["keyboard", "scale_error", "any", word] for word in ("any", "all"))
    own = {(*kind, "any", "any"): alone, (*kind, "any", "all"): shared}
    one, two = (replace(outside, subject=name) for name in ("oscillator_1", "oscillator_2"))
    fine = replace(two, limit_verdict=LimitVerdict("within limits"))
    assert [row.cause for row in with_causes([one, two], own)] == [shared, shared]
    assert with_causes([one], own)[0].cause is alone
    assert with_causes([one, fine], own)[0].cause is alone
    assert with_causes([one, replace(one, setting="half")], own)[0].cause is alone


@pytest.mark.parametrize(
    ("line", "problem", "remedy"),
    [
        ("slidr,worst_level,,,dirt,clean it,,", "no bench test named 'slidr'", "'slider'"),
        ("slider,worst_levl,,,dirt,clean it,,", "no quantity 'worst_levl'", "'worst_level'"),
        ("slider,worst_level,up,,dirt,clean it,,", "sign cannot be 'up'", "above, below"),
        ("slider,worst_level,,some,dirt,clean it,,", "alike cannot be 'some'", "all, any"),
        ("slider,worst_level,,,dirt,clean it,solvnt,", "no caution named", "'solvent'"),
        ("slider,worst_level,,,a;b;c;d;e,clean it,,", "names 5 causes", "one to 4"),
        ("slider,worst_level,,,,clean it,,", "names 0 causes", "one to 4"),
        ("slider,worst_level,,,dirt,,,", "no next step", "what to do"),
        ("slider,worst_level,,,dirt,turn it clockwise,,", "which way to turn", "service document"),
        ("stability,frequency,,,heat,close it,,", "no quantity 'frequency'", "spread, drift"),
    ],
)
def test_a_wrong_line_is_refused_with_its_place(tmp_path, line, problem, remedy):
    path = tmp_path / "causes.csv"
    path.write_text(f"{HEAD}\n{line}\n", encoding="utf-8")
    with pytest.raises(InputError) as error:
        read_causes(path)
    assert problem in error.value.problem
    assert remedy in error.value.remedy
    assert error.value.where == "causes.csv, line 2"


def test_two_lines_for_one_thing_are_refused(tmp_path):
    path = tmp_path / "causes.csv"
    line = "slider,worst_level,,,dirt,clean it,,"
    path.write_text(f"{HEAD}\n{line}\n{line.replace(',,,', ',any,,', 1)}\n", encoding="utf-8")
    with pytest.raises(InputError, match="Line 2 is for the same") as error:
        read_causes(path)
    assert error.value.where == "causes.csv, line 3"


def test_without_a_file_there_are_none(tmp_path):
    assert read_causes(tmp_path / "causes.csv") == {}
