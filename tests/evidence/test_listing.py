"""The listing kit: nothing promised, nothing hidden, nothing private, and sizes that fit."""

import io
import json
import re
import shutil
from dataclasses import replace

import numpy as np
import pytest
from marks_made import evidence_of as marks_evidence
from marks_made import glided
from matplotlib import image
from slider_made import evidence_of as sliders_evidence
from slider_made import made, spread

import sigkit
from sigkit.evidence.gate import RETRIMMED
from sigkit.evidence.listing import pictures
from sigkit.evidence.listing.claims import claims_of, overclaims
from sigkit.evidence.listing.kit import kit_of
from sigkit.evidence.listing.pictures import SIZES
from sigkit.evidence.listing.texts import ASKED, answers_text, long_text, middle_text, short_text
from sigkit.evidence.report.about import about, dates_of
from sigkit.evidence.report.pages import report_html


def test_texts_keep_their_lengths(evidence):
    assert len(short_text(evidence)) <= 300
    assert len(middle_text(evidence)) <= 1500


def test_what_is_bad_is_named_in_every_text_or_counted(evidence):
    bad = [claim for claim in claims_of(evidence) if claim.bad]
    assert bad
    assert "outside my limits or worse" in short_text(evidence).casefold()
    for claim in bad:
        assert claim.name in " ".join(long_text(evidence, "x").split())
    middle = middle_text(evidence)
    named = sum(claim.value in middle for claim in bad)
    assert named == len(bad) or f"and {len(bad) - named} more" in middle
    first_good = middle.find("Within my limits")
    assert first_good == -1 or middle.index("Outside my limits") < first_good


def test_many_bad_quantities_are_counted_and_the_text_still_fits(evidence):
    row = next(claim.row for claim in claims_of(evidence) if claim.bad)
    rows = tuple(replace(row, subject=f"a_slider_with_a_long_name_{i}") for i in range(40))
    many = sigkit.Evidence(evidence.job, evidence.outcomes, rows)
    text = middle_text(many)
    assert len(text) <= 1500
    named = text.count("a slider with a long name")
    assert 0 < named < 40
    assert f"and {40 - named} more, named in the report" in text
    assert "40 quantities outside my limits or worse" in short_text(many)


def test_long_words_that_were_typed_leave_the_lengths_as_they_are(job_folder):
    shutil.rmtree(job_folder / "before")
    (job_folder / "job.toml").write_text(
        f'unit = "K14"\ndescription = "{"long words " * 300}"\n'
        f'[stages.before]\nreason = "{"not safe to power " * 40}"\n'
    )
    evidence = sigkit.open_job(job_folder).measure(progress=False)
    assert len(short_text(evidence)) <= 300
    assert len(middle_text(evidence)) <= 1500
    assert "What these figures do not show" in middle_text(evidence)
    assert "No recording of before: not safe to power" in short_text(evidence)


def test_without_dates_nothing_is_said_of_before_and_after(job_folder):
    """The captures may all be of one state: only their stages are known."""
    evidence = sigkit.open_job(job_folder).measure(progress=False)
    assert short_text(evidence).startswith("Recorded in 2 stages, without dates.")
    assert "The job gives no dates." in answers_text(evidence)


def test_buyers_questions_are_answered_in_order(evidence):
    text = answers_text(evidence)
    places = [text.index(question) for question, _, _ in ASKED]
    assert places == sorted(places)
    assert "Not tested." in text
    assert "Last recorded on 2026-03-23." in text


def test_the_day_of_a_stage_without_captures_is_no_day_of_recording(job_folder):
    shutil.rmtree(job_folder / "before")
    (job_folder / "job.toml").write_text(
        '[stages.before]\nreason = "not safe to power"\ndate = "2026-01-02"\n'
        '[stages.after]\ndate = "2026-03-04"\n'
    )
    evidence = sigkit.open_job(job_folder).measure(progress=False)
    assert short_text(evidence).startswith("Recorded 2026-03-04. No recording of before")
    assert "Last recorded on 2026-03-04." in answers_text(evidence)
    assert dates_of(evidence) == "2026-03-04"
    told = {key: text for key, _, text in about(evidence, "")}
    assert told["capture-dates"] == "before: nothing; after: 2026-03-04"


def test_that_nothing_was_left_out_is_said_so_that_it_cannot_be_misread(evidence, monkeypatch):
    monkeypatch.setattr("sigkit.evidence.listing.texts.not_tested", lambda _: [])
    assert "Not tested\n\nNothing: every bench test was done" in long_text(evidence, "x")


def test_rails_that_were_trimmed_are_told_in_the_longer_texts(evidence):
    said = "Supply rails were trimmed in between: changes include that effect."
    rows = tuple(replace(r, remarks=(f"{RETRIMMED}: plus15",)) for r in evidence.rows)
    moved = sigkit.Evidence(evidence.job, evidence.outcomes, rows)
    for text in (middle_text, lambda e: long_text(e, "x")):
        assert said in text(moved)
        assert said not in text(evidence)


def test_answers_tell_what_is_bad_beside_what_was_asked(evidence):
    """A slider with few events may still be too loud: leaving that out would claim too much."""
    text = " ".join(answers_text(evidence).split())
    bad = [claim for claim in claims_of(evidence) if claim.bad]
    assert any(claim.row.judged.quantity == "worst_level" for claim in bad)
    for claim in bad:
        assert f"{claim.row.judged.label} {claim.figure}" in text


def test_what_is_open_is_counted_and_brackets_close(kit):
    texts = {name: data.decode() for name, data in kit.items() if name.endswith(".txt")}
    for name, text in texts.items():
        assert text.count("(") == text.count(")"), name
    assert "Undecided against my limits" in texts["middle.txt"]
    assert "Quantities undecided against my limits" in texts["long.txt"]


def test_a_warm_up_is_told_with_its_length_and_its_room(job_folder, fake_slider, monkeypatch):
    """A shorter recording settles sooner: without its length the figure says too much."""
    from sigkit.evidence.listing import claims

    fake_slider.tone(job_folder / "after/slider-volume-t1.WAV", 0.05, seconds=30.0)
    fake_slider.tone(job_folder / "after/slider-volume-t2.WAV", 0.05, seconds=36.0)
    (job_folder / "job.toml").write_text("[stages.after]\nroom_c = 20.5\n")
    evidence = sigkit.open_job(job_folder).measure(progress=False)
    row = next(row for row in evidence.rows if row.subject == "volume")
    assert claims.condition_of(evidence, row) == ""
    monkeypatch.setattr(claims, "WARMUP", "slider")
    assert claims.condition_of(evidence, row) == " (recorded for 0.5 min at 20.5 °C)"
    assert " (recorded for 0.5 min at 20.5 °C)" in long_text(evidence, "x").replace("\n", " ")


def test_no_word_promises_more_than_was_measured(kit):
    for name, data in kit.items():
        if name.endswith(".txt"):
            assert overclaims(data.decode()) == []
    assert "check_your_words.txt" not in kit


def test_a_promise_that_was_typed_is_named_and_left(job_folder):
    (job_folder / "job.toml").write_text('unit = "K14"\ndescription = "Fully calibrated, as new"\n')
    kit = kit_of(sigkit.open_job(job_folder).measure(progress=False), "x")
    assert b"as new, fully calibrated" in kit["check_your_words.txt"]
    assert b"Fully calibrated, as new" in kit["long.txt"]


def test_every_number_of_the_texts_is_in_the_results(evidence, kit):
    """Values as they are printed: rounded from the rows and from nothing else."""
    from sigkit.evidence.listing.claims import plain
    from sigkit.evidence.report.pages import cell_text

    told = {plain(cell_text(cell)) for row in evidence.rows for cell in row.cells.values()}
    for claim in claims_of(evidence):
        assert claim.figure in told
        assert claim.value in " ".join(kit["long.txt"].decode().split())


def test_pictures_have_their_sizes_and_a_wide_edge_and_carry_nothing_else(kit):
    drawn = {name: data for name, data in kit.items() if name.endswith(".png")}
    assert drawn
    for name, data in drawn.items():
        shape = name.removesuffix(".png").rsplit("_", 1)[1]
        width, height = SIZES[shape]
        pixels = image.imread(io.BytesIO(data))
        assert pixels.shape[:2] == (height, width)
        assert len(data) < 2e6
        dark = np.argwhere(pixels[..., :3].min(axis=2) < 0.9)
        low, high = dark.min(axis=0), dark.max(axis=0)
        assert (low >= 0.12 * np.array([height, width])).all()
        assert (high <= 0.88 * np.array([height, width])).all()
        for chunk in (b"tEXt", b"iTXt", b"eXIf", b"tIME"):
            assert chunk not in data


def test_letters_can_be_read_on_a_phone(evidence, monkeypatch):
    """At least 1/40 of the picture's height: common practice, no source. In its chart too."""
    from matplotlib.figure import Figure
    from matplotlib.text import Text

    heights = {pictures.MIDDLE * w / pictures.CHART_IN: h for w, h in pictures.SIZES.values()}
    sizes = []
    real = Figure.draw

    def spy(figure, *args, **options):
        found = real(figure, *args, **options)
        height = heights[figure.dpi]
        texts = [t for t in figure.findobj(Text) if t.get_text() and t.get_visible()]
        sizes.append([t.get_fontsize() / 72 * figure.dpi / height for t in texts])
        return found

    monkeypatch.setattr(Figure, "draw", spy)
    kit_of(evidence, "x")
    assert len(sizes) >= 2 * len(pictures.SIZES)  # the chart and the words above it
    assert min(map(min, sizes)) >= 1 / 40 - 1e-9


@pytest.mark.parametrize(
    ("words", "told"), [("a limit", False), ("a limit, its source " * 9, True)]
)
def test_a_band_whose_words_have_no_room_is_told_above(monkeypatch, words, told):
    from matplotlib.figure import Figure
    from matplotlib.text import Text

    def draw(figure):
        ax = figure.add_subplot()
        ax.axhspan(0, 0.5)
        ax.text(0, 0, words)

    seen = []
    real = Figure.draw

    def spy(figure, *args, **options):
        seen.extend(text.get_text() for text in figure.findobj(Text))
        return real(figure, *args, **options)

    monkeypatch.setattr(Figure, "draw", spy)
    pictures._picture("Slider pass: x", "", draw, SIZES["square"], mute=False)
    assert (pictures.BAND in seen) is told


def test_a_slider_that_reverses_is_told_in_every_text():
    """Glide times at its marks may each be good, and their order bad."""
    stage = {
        **{"0": glided(0.015), "25": glided(0.12), "50": glided(0.6)},
        **{"75": glided(0.4), "100": glided(1.2)},
    }
    found = marks_evidence({"before": stage, "after": stage})
    told = (
        "Glide: portamento, glide time, 10 to 90 % over its marks: after falls between 50 and 75 %"
    )
    assert told in " ".join(long_text(found, "x").split())
    assert told in middle_text(found)
    assert told in " ".join(answers_text(found).split())
    assert "1 quantity outside my limits or worse" in short_text(found)


def test_a_slider_that_came_back_is_told_with_what_it_was_cleaned_with():
    found = sliders_evidence(
        {"1_after": {"x": made(spread([0] * 10))}, "2_followup": {"x": made(spread([3] * 10))}},
        cleaning={"1_after": "cleaner"},
    )
    told = "Slider pass: x, quiet before and crackling again in 2 followup, after contact cleaner"
    for text in (long_text(found, "x"), middle_text(found), answers_text(found)):
        assert told in " ".join(text.split())


def test_what_was_tested_earlier_only_is_told_with_its_stage(job_folder):
    """A follow-up of one slider leaves nothing of the rest out, and claims nothing of it."""
    shutil.copytree(job_folder / "after", job_folder / "followup")
    for path in (job_folder / "followup").glob("slider-volume*"):
        path.unlink()
    found = sigkit.open_job(job_folder).measure(progress=False)
    answers = " ".join(answers_text(found).split())
    line = re.search(r"Slider pass: volume: (.*?)\.(?= [A-Z])", answers)[1]
    assert line.endswith("in after, outside limits then, not tested since")
    assert "in before, " in re.search(r"Slider pass: noise, half: .*?\.(?= [A-Z])", answers)[0]
    long = " ".join(long_text(found, "x").split())
    assert "Not tested in the last stage, followup" in long
    assert "Slider pass: volume, event rate" in long or "Slider pass: volume, events" in long
    assert "Tested earlier and not in followup: 2, in the report." in middle_text(found)


def test_a_long_list_of_what_was_not_tested_leaves_the_rest(job_folder):
    from sigkit.measures import TESTS

    reasons = "\n".join(f'{test} = "{"a long reason " * 12}"' for test in TESTS if test != "slider")
    (job_folder / "job.toml").write_text(f"[not_tested]\n{reasons}\n")
    text = middle_text(sigkit.open_job(job_folder).measure(progress=False))
    assert len(text) <= 1500
    assert text.endswith("feel, looks or sound quality.")
    assert f"Not tested: {len(TESTS) - 1}, named in the report." in text


def test_nothing_private_and_the_same_each_time(evidence, tmp_path):
    one, two = (evidence.write(tmp_path / name) for name in ("one", "two"))
    files = sorted(path.relative_to(one) for path in (one / "listing").rglob("*") if path.is_file())
    assert len(files) > 6
    for path in files:
        data = (one / path).read_bytes()
        assert data == (two / path).read_bytes()
        for private in (b"Jane", str(evidence.job.folder).encode()):
            assert private not in data
    manifest = json.loads((one / "manifest.json").read_text(encoding="utf-8"))
    assert {path.as_posix() for path in files} <= {entry["path"] for entry in manifest["outputs"]}
    assert sigkit.verify(one).ok


def test_where_nothing_was_judged_nothing_is_said_to_be_without_fault():
    """A waveform without a limit, at one stage: that none is outside says nothing."""
    found = marks_evidence({"before": {"50": glided(), "100": glided()}})
    report = report_html(found, {})
    for text in (middle_text(found), " ".join(long_text(found, "x").split()), report):
        assert "Nothing could be held against a limit or compared" in text
    assert "None among what was tested" not in long_text(found, "x")
    assert "nothing was compared" in middle_text(found)


def test_without_a_measurement_there_is_no_kit(job_folder, fake_slider):
    for path in job_folder.rglob("*.[wW][aA][vV]"):
        fake_slider.tone(path, 0.009)
    assert kit_of(sigkit.open_job(job_folder).measure(progress=False), "x") == {}
