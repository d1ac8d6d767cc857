import datetime
import json
import os
import re
import shutil
import sys

import numpy as np
import pandas as pd
import pytest

from sigkit.errors import InputError
from sigkit.evidence.earlier import earlier_evidence
from sigkit.evidence.job.folder import open_job
from sigkit.evidence.manifest import verify

FORBIDDEN = ("certified", "calibrated", "as new", "perfect", "guarantee", "score", "grade")


@pytest.fixture
def evidence(job_folder):
    return open_job(job_folder).measure(progress=False)


def row(evidence, subject, quantity):
    table = evidence.table
    found = table[(table.subject == subject) & (table.quantity == quantity)]
    assert len(found) == 1
    return found.iloc[0]


def test_table_has_one_row_per_test_subject_setting_and_quantity(evidence):
    table = evidence.table
    assert list(table.columns) == [
        *("test", "subject", "setting", "quantity", "unit"),
        *("before", "u_before", "why_before", "after", "u_after", "why_after"),
        *("change", "u_change", "verdict", "limit", "limit_source", "limit_verdict"),
        *("p_within", "remarks"),
    ]
    assert len(table) == 3 * 3
    assert list(dict.fromkeys(table.subject)) == ["noise", "release", "volume"]


def test_values_are_those_of_the_sound(evidence):
    """Peaks of 0.5, 0.52 and a tenth of them: levels by definition 20 log10."""
    volume = row(evidence, "volume", "worst_level")
    levels = 20 * np.log10([0.5, 0.52])
    assert volume.before == pytest.approx(levels.mean(), abs=0.02)
    assert volume.change == pytest.approx(-20.0, abs=0.1)
    assert volume.verdict == "improved"
    scatter = np.std(levels, ddof=1) / np.sqrt(2)
    # The noise of each take is in their scatter; a scale that is common to both is not.
    assert volume.u_before == pytest.approx(np.hypot(scatter, 0.1), abs=0.005)
    assert volume.limit == -50
    assert volume.limit_verdict == "outside limits"
    assert volume.p_within < 1e-3
    assert "single take" not in volume.remarks
    release = row(evidence, "release", "worst_level")
    assert release.verdict == "worse"
    assert release.change == pytest.approx(20 * np.log10(2), abs=0.02)
    assert "single take: repeatability unknown" in release.remarks


def test_takes_pool_what_they_counted(evidence):
    cell = next(r for r in evidence.rows if r.subject == "volume").cells["before"]
    assert cell.counts == (50 + 52, 4.0)
    assert cell.takes == 2


def test_what_is_missing_says_why(evidence):
    noise = row(evidence, "noise", "worst_level")
    assert np.isnan(noise.after)
    assert noise.why_after == "not tested"
    assert noise.verdict == "not comparable: no capture in after"
    assert noise.limit_verdict == "not tested"
    floor = row(evidence, "release", "floor")
    assert floor.verdict == "not measurable: before: the tone hides it: close the filter"
    assert floor.limit_verdict == ""


def test_dead_on_arrival_claims_no_improvement(job_folder):
    shutil.rmtree(job_folder / "before")
    (job_folder / "job.toml").write_text('[stages.before]\nreason = "not safe to power"')
    evidence = open_job(job_folder).measure(progress=False)
    assert not evidence.table.verdict.isin(["improved", "worse"]).any()
    volume = row(evidence, "volume", "worst_level")
    assert volume.verdict == "not comparable: no capture in before (not safe to power)"
    assert volume.why_before == "not safe to power"
    report = (evidence.write(job_folder / "evidence") / "report.html").read_text()
    assert "before: not safe to power" in report


def test_an_unfit_capture_and_one_that_cannot_answer_are_rows_with_reasons(job_folder, fake_slider):
    fake_slider.tone(job_folder / "after/slider-release.wav", 1e-5)
    (job_folder / "before/slider-release.wav").write_bytes(b"no sound at all")
    evidence = open_job(job_folder).measure(progress=False)
    release = row(evidence, "release", "worst_level")
    assert "Record again" in release.why_after
    assert release.why_before
    assert release.verdict.startswith("not measurable: before: ")
    lost = {problem.where: problem.lost for problem in evidence.problems}
    assert lost == {"before/slider-release.wav": True, "after/slider-release.wav": False}
    assert row(evidence, "volume", "worst_level").verdict == "improved"


def test_the_same_recording_under_two_names_is_pointed_out(job_folder):
    shutil.copy(job_folder / "before/slider-release.wav", job_folder / "after/slider-release.wav")
    evidence = open_job(job_folder).measure(progress=False)
    assert "same recording as before/slider-release.wav" in evidence.problems[0].problem
    release = row(evidence, "release", "worst_level")
    assert release.verdict == "no change shown"
    assert "the same recording lies in both stages" in release.remarks


def test_other_options_are_not_compared(job_folder):
    (job_folder / "job.toml").write_text('[captures."after/slider-release"]\ncontrols = "level"')
    evidence = open_job(job_folder).measure(progress=False)
    release = row(evidence, "release", "worst_level")
    assert release.verdict == "not comparable: measured with other options"
    assert np.isnan(release.change)
    assert not np.isnan(release.before)
    assert not np.isnan(release.after)


def test_the_jobs_own_limit_and_rails(job_folder):
    (job_folder / "job.toml").write_text(
        "[limits.slider]\nworst_level = -20\nevent_rate = 30\n"
        "[stages.before.rails_v]\nplus = 14.6\n[stages.after.rails_v]\nplus = 15.0\n"
    )
    evidence = open_job(job_folder).measure(progress=False)
    volume = row(evidence, "volume", "worst_level")
    assert (volume.limit, volume.limit_source) == (-20, "set for this job")
    assert volume.limit_verdict == "within limits"
    assert "rails retrimmed between: plus +14.60 to +15.00 V" in volume.remarks
    assert row(evidence, "volume", "event_rate").limit_verdict == "within limits"


def test_folder_holds_everything_and_verifies(evidence, job_folder, tmp_path):
    folder = evidence.write(tmp_path / "out")
    names = sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file())
    kit = [name for name in names if name.startswith("listing/")]
    assert {"listing/short.txt", "listing/pictures/slider-volume_square.png"} <= set(kit)
    assert [name for name in names if name not in kit] == [
        "charts/slider-noise-half.png",
        "charts/slider-release.png",
        "charts/slider-volume.png",
        "manifest.json",
        "report.html",
        "results.csv",
        "results.json",
        "stages/after.sha256",
        "stages/before.sha256",
    ]
    found = verify(folder, job_folder)
    assert found.ok
    assert len(found.matched) == len(names) - 1 + 7
    csv = pd.read_csv(folder / "results.csv")
    assert set(csv.kind) == {"quantity"}
    pd.testing.assert_frame_equal(csv[["change"]], evidence.table[["change"]], rtol=1e-8)
    document = json.loads((folder / "results.json").read_text())
    assert document["schema_version"] == 3
    assert {c["path"] for c in document["captures"]} == {t.key for t in evidence.job.takes}
    assert document["captures"][0]["result"]["quantities"]["worst_level"]["unit"] == "dB"


def test_the_same_input_gives_the_same_bytes(job_folder, tmp_path):
    other = tmp_path / "elsewhere"
    shutil.copytree(job_folder, other)
    first = open_job(job_folder).measure(progress=False).write(tmp_path / "a")
    second = open_job(other).measure(progress=False).write(tmp_path / "b")
    for path in first.rglob("*"):
        if path.is_file():
            assert path.read_bytes() == (second / path.relative_to(first)).read_bytes(), path.name


def test_nothing_private_leaves(job_folder, fake_slider, monkeypatch):
    (job_folder / "job.toml").write_text(
        'unit = "K14"\n[private]\nowner = "Erika Mustermann"\nprice = 350\n'
    )
    (job_folder / "after/slider-hiss.wav").write_bytes(b"no sound at all")
    fake_slider.tone(job_folder / "after/slider-attack.wav", 0.009)
    monkeypatch.chdir(job_folder.parent)
    evidence = open_job("job").measure(progress=False)
    folder = evidence.write("out")
    for path in folder.rglob("*"):
        if path.is_file():
            content = path.read_bytes()
            for secret in (b"Mustermann", b"Jane Doe", str(job_folder).encode()):
                assert secret not in content, path.name
    assert "No tone in after/slider-attack.wav" in (folder / "report.html").read_text()
    assert "Jane Doe" not in evidence._repr_html_()


def test_report_stands_alone_and_keeps_its_words(evidence, job_folder):
    folder = evidence.write(job_folder / "evidence")
    report = (folder / "report.html").read_text()
    assert len(report) < 3_000_000
    assert not re.search(r"https?:|<script|<link|@import|url\(", report)
    text = re.sub(r"data:[^\"]+|<style.*?</style>|<[^>]+>", "", report, flags=re.S).casefold()
    assert [word for word in FORBIDDEN if re.search(rf"\b{word}", text)] == []
    for caution in ("mains", "capacitor", "solvent", "resonance", "powered chassis", "licensed"):
        assert caution in text
    assert "what this evidence does not show" in text
    for take in evidence.job.takes:
        assert take.key in report
    assert evidence.outcomes[0].sha256 in report
    for word in ("improved", "worse", "outside limits", "not tested", "not measurable"):
        assert word in text
    worse, improved = text.index("still outside limits or worse"), text.index("all captures")
    assert worse < improved


def test_report_escapes_what_a_job_says(job_folder):
    (job_folder / "job.toml").write_text("unit = '<b>K14</b> & co'\n")
    evidence = open_job(job_folder).measure(progress=False)
    report = (evidence.write(job_folder / "evidence") / "report.html").read_text()
    assert "<b>K14</b>" not in report
    assert "&lt;b&gt;K14&lt;/b&gt; &amp; co" in report


def test_older_evidence_is_never_touched(evidence, job_folder, monkeypatch):
    """A later run goes beside it, with the date of that day, the same numbers or not."""
    target = job_folder / "evidence"
    assert evidence.write(target) == target
    (target / "report.html").write_text("changed by hand")
    before = {p: (p.stat().st_mtime_ns, p.read_bytes()) for p in target.rglob("*") if p.is_file()}
    today = datetime.date.today().isoformat()
    monkeypatch.setattr("sigkit.evidence.report.pictures.drawings_of", lambda *_: [])
    monkeypatch.setattr("sigkit.evidence.listing.pictures.listing_drawings", lambda *_: [])
    monkeypatch.setattr("sigkit.evidence.listing.kit.kit_of", lambda *_, **__: {})
    second, third = evidence.write(target), evidence.write(target)
    assert second.name in (f"evidence_{today}", f"evidence_{datetime.date.today().isoformat()}")
    assert third.name == f"{second.name}_2"
    after = {p: (p.stat().st_mtime_ns, p.read_bytes()) for p in target.rglob("*") if p.is_file()}
    assert after == before
    assert (second / "results.csv").read_bytes() == (target / "results.csv").read_bytes()
    assert len(list(job_folder.iterdir())) == 5
    assert verify(third, job_folder).ok
    assert sorted(p.name for p in earlier_evidence(second)) == ["evidence", third.name]


def test_other_peoples_files_are_refused(evidence, tmp_path, job_folder):
    for place in (tmp_path / "photos", tmp_path / "a file", job_folder / "before"):
        if place.name == "photos":
            place.mkdir()
            (place / "manifest.json").write_text('{"kind": "something else"}')
        elif not place.exists():
            place.write_text("mine")
        with pytest.raises(InputError, match="holds something else"):
            evidence.write(place)
    assert (tmp_path / "a file").read_text() == "mine"
    (tmp_path / "empty").mkdir()
    assert evidence.write(tmp_path / "empty").is_dir()


def test_an_interrupted_write_leaves_nothing(evidence, tmp_path, monkeypatch):
    target = tmp_path / "place" / "evidence"
    evidence.write(target)
    before = (target / "manifest.json").read_bytes()

    def interrupted(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr("sigkit.evidence.report.pages.report_html", interrupted)
    with pytest.raises(KeyboardInterrupt):
        evidence.write(target)
    assert [p.name for p in target.parent.iterdir()] == ["evidence"]
    assert (target / "manifest.json").read_bytes() == before


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_a_place_without_permission(evidence, tmp_path):
    tmp_path.chmod(0o500)
    with pytest.raises(InputError, match="cannot be written"):
        evidence.write(tmp_path / "out")


def test_rich_display_shows_every_row_and_reason(evidence):
    shown = evidence._repr_html_()
    assert shown.count("<tr>") == 1 + 9 + shown.count("colspan")
    assert shown.count("colspan") == len({row.group for row in evidence.rows})
    assert "close the filter" in shown
    assert str(evidence) == "evidence of 7 captures in 2 stages"


def test_a_rate_shows_its_count_and_limits(evidence):
    """Garwood limits of a count of 20, 12.2165 to 30.8884, here in 2 s; and one pass, whose rate
    scatters by 0.5 in ln: 20.5 / exp(hypot(ln(20.5 / 12.2165), 0.98)) = 6.8, likewise 59.4.
    """
    from sigkit.evidence.report.pages import cell_text

    release = next(r for r in evidence.rows if r.subject == "release")
    text = cell_text(release.cells["before"]).replace("\N{NO-BREAK SPACE}", " ")
    assert text == "10 per s (20 in 2 s: 3 to 30)"


def test_the_report_on_paper_is_the_same_each_time(job_folder, tmp_path):
    evidence = open_job(job_folder).measure(progress=False)
    one, two = (evidence.write(tmp_path / name, pdf=True) for name in ("one", "two"))
    paper = (one / "report.pdf").read_bytes()
    assert paper[:5] == b"%PDF-"
    assert paper == (two / "report.pdf").read_bytes()
    assert verify(one).ok


def test_without_the_library_that_prints_it_is_said(job_folder, tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    evidence = open_job(job_folder).measure(progress=False)
    with pytest.raises(InputError, match="No PDF can be made here"):
        evidence.write(tmp_path / "evidence", pdf=True)
    assert not (tmp_path / "evidence").exists()
