"""Every kind of gap through table, CSV, JSON, report, listing and command line, and counted."""

import csv
import io
import json
from collections import Counter

import joblib
import numpy as np
import pytest
import soundfile as sf

from sigkit.commands.evidence import table_lines
from sigkit.errors import InputError
from sigkit.evidence.evidence import Evidence
from sigkit.evidence.job.folder import open_job
from sigkit.evidence.listing.kit import kit_of
from sigkit.evidence.report.pages import report_html

RATE = 8_000
JOB = """unit = "K14"
[stages.1_before]
reason = "not safe to power"
[stages.2_repaired]
room_c = 21
[stages.3_after]
room_c = 27
[not_fitted]
glide = "no portamento on this model"
slider-release = ""
[not_tested]
keyboard = "keys are out for new bushings"
"""


def tone(path, hz, seconds=2.5):
    path.parent.mkdir(parents=True, exist_ok=True)
    t = np.arange(round(seconds * RATE)) / RATE
    rng = np.random.default_rng(round(hz))
    x = sum(0.2 / k * np.sin(2 * np.pi * k * hz * t) for k in range(1, 9))
    sf.write(path, x + 1e-4 * rng.standard_normal(t.size), RATE, subtype="PCM_24")


@pytest.fixture(scope="module")
def evidence(tmp_path_factory):
    """Nothing before; one test in the middle only; a room 6 °C warmer; one capture too short."""
    folder = tmp_path_factory.mktemp("gaps") / "job"
    tone(folder / "2_repaired/stability-osc.wav", 220)
    tone(folder / "3_after/stability-osc.wav", 220.1)
    tone(folder / "2_repaired/stability-other.wav", 330)
    tone(folder / "3_after/stability-short.wav", 440, seconds=1.2)
    (folder / "job.toml").write_text(JOB)
    with joblib.parallel_config(backend="threading", n_jobs=2):
        return open_job(folder).measure(progress=False)


def test_every_kind_of_gap_is_listed_with_its_reason(evidence):
    """By hand: one stage; two subjects in one stage each; two not fitted, one not tested by
    intention, six without a word; room 21 against 27 °C; no median of whole seconds in 1.2 s.
    """
    gaps = evidence.gaps
    kinds = Counter(gaps["kind"])
    assert kinds["no capture in this stage"] == 3
    assert kinds["not fitted"] == 2
    assert kinds["not tested"] == 7
    told = {(g.kind, g.test, g.subject, g.stage, g.quantity): g.why for g in gaps.itertuples()}
    assert told["no capture in this stage", "", "", "1_before", ""] == "not safe to power"
    assert (
        told["no capture in this stage", "stability", "other", "3_after", ""] == "no reason given"
    )
    assert told["not fitted", "glide", "", "", ""] == "no portamento on this model"
    assert told["not fitted", "slider", "release", "", ""] == "no reason given"
    assert told["not tested", "keyboard", "", "", ""] == "keys are out for new bushings"
    assert "3 whole seconds" in told["not measurable", "stability", "short", "3_after", "wander"]
    assert told["not comparable", "stability", "osc", "", "spread"] == "room 21 °C against 27 °C"
    assert (gaps["why"] != "").all()
    assert len(gaps) == len(gaps.drop_duplicates())


def test_gaps_are_in_json_and_csv(evidence):
    results = evidence.results()
    listed = json.loads(results["results.json"])["gaps"]
    assert len(listed) == len(evidence.gaps)
    assert {gap["kind"] for gap in listed} == set(evidence.gaps["kind"])
    rows = list(csv.DictReader(io.StringIO(results["results.csv"].decode())))
    spread = {row["subject"]: row for row in rows if row["quantity"] == "spread"}
    assert {row["why_1_before"] for row in rows} == {"not safe to power"}
    assert spread["other"]["why_3_after"] == "not tested"
    assert spread["osc"]["verdict"] == "not comparable: room 21 °C against 27 °C"
    assert spread["osc"]["change"] == ""


def test_a_reason_that_holds_for_a_whole_capture_is_printed_once(evidence, tmp_path):
    """Rows in which some stage has a value are all there; others are named behind the first."""
    for row in evidence.rows:
        if any(cell.quantity.measurable for cell in row.cells.values()):
            assert f"  {row.judged.label}" in table_lines(evidence)
    tone(tmp_path / "job" / "1_before" / "keyboard-osc.wav", 220)
    unknown = open_job(tmp_path / "job").measure(progress=False)
    lines = table_lines(unknown)
    text = " ".join(" ".join(lines).split())
    assert text.count("lowest_key is missing") == 2  # and among the problems
    assert "the same of: dead keys, double triggers" in text


def test_gaps_are_said_where_people_read(evidence):
    report = report_html(evidence, {}).replace("\N{NO-BREAK SPACE}", " ")
    counts = Counter(evidence.gaps["kind"])
    counted = (
        f"Gaps, each with its reason: 3 no capture in this stage, 7 not tested, 2 not fitted, "
        f"{counts['not measurable']} not measurable, {counts['not comparable']} not comparable."
    )
    assert counted in report
    listing = "\n".join(
        data.decode() for name, data in kit_of(evidence, "0" * 16).items() if name.endswith(".txt")
    )
    console = " ".join(" ".join(table_lines(evidence)).split())
    for text in (report, " ".join(listing.split())):
        assert "no portamento on this model" in text
        assert "keys are out for new bushings" in text
    for text in (report, " ".join(listing.split()), console):
        assert "not safe to power" in text
    assert "room 21 °C against 27 °C" in report
    assert "room 21 °C against 27 °C" in console
    assert "not tested" in console


@pytest.mark.parametrize(
    ("settings", "problem"),
    [
        ("[not_fitted]\nglid = ''", "no bench test named 'glid'"),
        ("[not_tested]\nglide = 3", "glide must be a text"),
        ("[not_fitted]\nstability = 'none'", "a capture of 'stability', and a reason"),
        ("[not_tested]\nstability-osc = 'none'", "a capture of 'stability-osc', and a reason"),
    ],
)
def test_gaps_that_cannot_be_are_refused(tmp_path, settings, problem):
    stage = tmp_path / "after"
    stage.mkdir()
    (stage / "stability-osc.wav").write_bytes(b"")
    (tmp_path / "job.toml").write_text(settings)
    with pytest.raises(InputError) as error:
        open_job(tmp_path)
    assert problem in str(error.value)


def test_another_limit_changes_the_verdict_and_measures_nothing(evidence):
    def spread(of):
        return next(r for r in of.rows if (r.subject, r.judged.quantity) == ("osc", "spread"))

    value = spread(evidence).last.quantity
    strict = evidence.with_limit("stability", "spread", value.value / 2, source="page 12")
    assert isinstance(strict, Evidence)
    assert strict.outcomes is evidence.outcomes
    assert spread(evidence).limit_verdict.word == "within limits"
    assert spread(strict).limit_verdict.word in ("outside limits", "undecided")
    assert spread(strict).limit.source == "page 12"
    near = strict.with_limit("stability", "spread", value.value)
    assert spread(near).limit_verdict.word == "undecided"
    assert spread(near).limit_verdict.probability == pytest.approx(0.5, abs=0.05)
    assert spread(near).limit.source == "set for this job"
    with pytest.raises(InputError, match="no judged quantity 'sprad'"):
        evidence.with_limit("stability", "sprad", 1.0)
