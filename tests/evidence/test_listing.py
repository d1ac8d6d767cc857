"""The listing kit: nothing promised, nothing hidden, nothing private, and sizes that fit."""

import io
import json
import shutil
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import soundfile as sf
from matplotlib import image

import sigkit
from sigkit.evidence.listing import sounds
from sigkit.evidence.listing.claims import claims_of, overclaims
from sigkit.evidence.listing.kit import kit_of
from sigkit.evidence.listing.pictures import SIZES
from sigkit.evidence.listing.texts import ASKED, answers_text, long_text, middle_text, short_text


@pytest.fixture
def evidence(job_folder):
    (job_folder / "job.toml").write_text(
        'unit = "K14"\n[stages.before]\ndate = "2026-03-02"\n[stages.after]\ndate = "2026-03-23"\n'
        '[private]\nowner = "Jane Doe"\n'
    )
    return sigkit.open_job(job_folder).measure(progress=False)


@pytest.fixture
def kit(evidence):
    return kit_of(evidence, "0123456789abcdef")


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


def test_answers_tell_what_is_bad_beside_what_was_asked(evidence):
    """A slider with few events may still be too loud: leaving that out would claim too much."""
    text = " ".join(answers_text(evidence).split())
    bad = [claim for claim in claims_of(evidence) if claim.bad]
    assert any(claim.row.judged.quantity == "worst_level" for claim in bad)
    for claim in bad:
        assert f"{claim.row.judged.label} {claim.value}" in text


def test_what_is_open_is_counted_and_brackets_close(kit):
    texts = {name: data.decode() for name, data in kit.items() if name.endswith(".txt")}
    for name, text in texts.items():
        assert text.count("(") == text.count(")"), name
    assert "Undecided against my limits" in texts["middle.txt"]
    assert "Undecided against my limits" in texts["long.txt"]


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
        assert claim.value in told
        assert claim.value in " ".join(kit["long.txt"].decode().split())


def test_pictures_have_their_sizes_and_a_wide_edge_and_carry_nothing_else(kit):
    pictures = {name: data for name, data in kit.items() if name.endswith(".png")}
    assert pictures
    for name, data in pictures.items():
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
    """At least 1/40 of the picture's height: common practice, no source."""
    from matplotlib.figure import Figure
    from matplotlib.text import Text

    sizes = []
    real = Figure.savefig

    def spy(figure, *args, **options):
        texts = [t for t in figure.findobj(Text) if t.get_text()]
        sizes.extend(t.get_fontsize() / 72 * figure.dpi / figure.bbox.height for t in texts)
        return real(figure, *args, **options)

    monkeypatch.setattr(Figure, "savefig", spy)
    kit_of(evidence, "x")
    assert min(sizes) >= 1 / 40 - 1e-9


def test_excerpts_share_one_gain_and_are_else_unchanged(evidence, kit):
    told = kit["sounds/sounds.txt"].decode()
    pairs = [name for name in kit if name.endswith(".wav")]
    assert len(pairs) >= 2
    gains = set()
    for stage in ("before", "after"):
        name = next(name for name in pairs if name.endswith(f"volume_{stage}.wav"))
        line = next(line for line in told.splitlines() if line.startswith(name.split("/")[1]))
        sound, rate = sf.read(io.BytesIO(kit[name]))
        source = next(o for o in evidence.outcomes if f": {o.take.key}," in line)
        original, same_rate = sf.read(source.take.path)
        assert rate == same_rate
        edge = round(0.01 * rate)
        inner = slice(edge, len(sound) - edge)
        cut = original[: len(sound)]
        gain = float(sound[inner] @ cut[inner] / (cut[inner] @ cut[inner]))
        gains.add(round(20 * np.log10(gain), 2))
        assert np.abs(sound[inner] - gain * cut[inner]).max() < 3 * 2**-15
        assert np.abs(sound[:3]).max() < 0.02
    (gain_db,) = gains
    assert f"{gain_db:+.0f} dB" in told


def test_no_excerpt_ends_within_an_event():
    rng = np.random.default_rng(7)
    for _ in range(200):
        starts = np.sort(rng.uniform(0, 30, 12))
        events = pd.DataFrame({"start_s": starts, "stop_s": starts + rng.uniform(0.001, 0.12, 12)})
        outcome = SimpleNamespace(
            duration_s=30.0, result=SimpleNamespace(tables=lambda events=events: {"events": events})
        )
        begin = rng.uniform(0, 28)
        start_s, stop_s = sounds._clear(outcome, begin, begin + rng.uniform(0.5, 20))
        assert 0 <= start_s < stop_s <= 30
        assert 4.5 <= stop_s - start_s <= 13
        for edge in (start_s, stop_s):
            if 0 < edge < 30:
                inside = (events["start_s"] < edge) & (edge < events["stop_s"])
                assert not inside.any()


def test_other_gain_no_excerpts(job_folder):
    (job_folder / "job.toml").write_text(
        "[stages.before]\ngain_db = 20\n[stages.after]\ngain_db = 30\n"
    )
    kit = kit_of(sigkit.open_job(job_folder).measure(progress=False), "x")
    assert not [name for name in kit if name.endswith(".wav")]
    assert b"the recorder's gain differs" in kit["sounds/sounds.txt"]


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


def test_without_a_measurement_there_is_no_kit(job_folder, fake_slider):
    for path in job_folder.rglob("*.[wW][aA][vV]"):
        fake_slider.tone(path, 0.009)
    assert kit_of(sigkit.open_job(job_folder).measure(progress=False), "x") == {}
