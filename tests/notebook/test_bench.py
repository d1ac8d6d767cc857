"""A bench in a notebook: what it shows, and that it never shows what is old."""

import io
import os
import re
import shutil
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf

import sigkit
from sigkit.evidence.run.takes import LITTLE, effort_of
from sigkit.notebook.shown import pictures_in, sounds_in

SAMPLE = Path(__file__).parents[2] / "sample_audio"
NAME = "noise-output.wav"


@pytest.fixture(scope="module")
def idle():
    bench = sigkit.open_bench(SAMPLE, "noise", stages=["1_before", "3_after"])
    bench.measure(progress=False)
    return bench


@pytest.fixture
def job(tmp_path):
    """A job of one stage with one capture of a test that is quick to measure."""
    (tmp_path / "job" / "1_before").mkdir(parents=True)
    shutil.copy(SAMPLE / "1_before" / NAME, tmp_path / "job" / "1_before")
    (tmp_path / "job" / "job.toml").write_text('unit = "A1"\n')
    return tmp_path / "job"


def test_the_sample_is_known_by_its_settings(idle, job):
    assert idle.is_sample
    assert not sigkit.open_bench(job, "noise").is_sample


def test_numbers_hold_the_truth_of_the_sample(idle):
    """Planted, see sample_audio/README.md; a wrong truth is not held."""
    assert idle.holds(-76.35, "floor", "1_before")
    assert not idle.holds(-75.0, "floor", "1_before")
    assert idle.verdict("ripple_re_tone") == "improved"
    assert idle.value("hum_odd", "3_after").value == pytest.approx(-67.41, abs=0.02)
    assert idle.result("3_after").test == "noise"


def test_every_output_says_what_it_is_of(idle):
    head = "sample_audio: Noise, hum and ripple; 1 before, 3 after; mains 50 Hz"
    for shown in (idle.numbers(), idle.look(), idle.listen(), idle.meaning()):
        assert str(shown).startswith(head)
        assert head in shown._repr_html_()


def test_charts_and_players(idle):
    """The charts of the report; idle noise is raised by one gain and never made loud."""
    assert len(pictures_in(idle.look())) == 2
    assert all(png.startswith(b"\x89PNG") for png in pictures_in(idle.look()))
    shown = idle.listen()
    gains = re.findall(r"played ([+-]\d+) dB", str(shown))
    assert len(gains) == 2
    assert gains[0] == gains[1]
    first, second = (sf.read(io.BytesIO(wav))[0] for wav in sounds_in(shown))
    assert np.abs(first).max() == pytest.approx(0.1, rel=0.13)  # -20 dBFS, whole dB of gain
    assert np.abs(second).max() < np.abs(first).max()  # and the key at the end is not in it


def test_what_is_across_all_subjects_is_drawn_of_all_of_them(idle, monkeypatch):
    """Every slider, every mark: not only those of the charts above; a caption below each."""
    drawn, asked = {"ladder-slider": b"1", "order-glide-portamento": b"2"}, []
    monkeypatch.setattr(
        "sigkit.notebook.looking.draw_groups",
        lambda evidence, groups: asked.append((evidence, groups)) or drawn,
    )
    text = str(idle.look(most=0))
    assert "Every slider over the stages" in text
    assert "Every mark of the slider" in text
    assert asked == [(idle.evidence, [])]
    assert "Every slider" not in str(idle.look("output"))


def test_meaning_names_what_is_outside_and_the_next_step(idle):
    text = str(idle.meaning())
    outside = text.split("Outside its limit in 3 after")[1].split("What that often")[0]
    assert "hum line re full tone" in outside
    assert "ripple" not in outside
    assert "battery" in text.split("Next at the bench")[1]


def test_nothing_is_shown_before_it_is_measured(job):
    bench = sigkit.open_bench(job, "noise")
    for ask in (bench.numbers, bench.look, bench.listen, bench.meaning):
        with pytest.raises(sigkit.InputError, match="Nothing has been measured yet") as caught:
            ask()
        lines = caught.value._render_traceback_()
        assert len(lines) == 3
        assert "Run All Cells" in lines[2]


def test_old_results_are_refused(job):
    """Recorded again, one more take, other settings, a capture gone: each is noticed and named."""
    bench = sigkit.open_bench(job, "noise")
    bench.measure(progress=False)
    path = job / "1_before" / NAME
    was = path.stat()
    os.utime(path, ns=(was.st_atime_ns, was.st_mtime_ns + 10**9))
    with pytest.raises(sigkit.InputError, match=f"1_before/{NAME} has changed"):
        bench.meaning()
    os.utime(path, ns=(was.st_atime_ns, was.st_mtime_ns))
    assert "idle noise" in str(bench.meaning())
    again = job / "1_before" / "noise-output-t2.wav"
    shutil.copy(path, again)
    with pytest.raises(sigkit.InputError, match=r"noise-output-t2[.]wav is new"):
        bench.look()
    again.unlink()
    shutil.copy(path, job / "1_before" / "glide-portamento-50.wav")  # another test: no matter
    assert bench.numbers()
    (job / "job.toml").write_text('unit = "A22"\n')
    with pytest.raises(sigkit.InputError, match=r"job[.]toml has changed"):
        bench.numbers()
    path.unlink()
    with pytest.raises(sigkit.InputError, match="is gone"):
        bench.measure(progress=False)


def test_a_new_folder_begins_with_nothing(idle, job):
    """The settings cell makes a new bench: what the old one measured is not in it."""
    assert str(idle.numbers())
    with pytest.raises(sigkit.InputError, match="Nothing has been measured yet"):
        sigkit.open_bench(job, "noise").numbers()


def test_another_limit_changes_the_verdict_and_no_number(idle):
    last = idle.value("floor", "3_after")
    held = idle.held_against("noise", "floor", last.value + 10, last.value - 10).text.splitlines()
    assert [line.split(" | ")[3] for line in held[-2:]] == ["within limits", "outside limits"]
    assert len({line.split(" | ")[1] for line in held[-2:]}) == 1
    assert "no capture" in idle.held_against("glide", "landing_error", 5).text
    with pytest.raises(sigkit.InputError):
        idle.held_against("noise", "flor", 1)


def test_what_was_not_recorded_is_said(job):
    bench = sigkit.open_bench(job, "glide")
    said = [bench.measure(), bench.numbers(), bench.look(), bench.listen(), bench.meaning(), bench]
    assert all("there is no capture of 'Glide' in job" in str(shown) for shown in said)


def test_one_stage_has_no_change(job):
    bench = sigkit.open_bench(job, "noise", mains_hz=50)
    shown = str(bench.measure(progress=False))
    assert " | change | " not in shown
    assert "mains 50 Hz" in shown
    assert bench.job.takes[0].options["mains_hz"] == 50


def test_wrong_settings_are_named(job):
    with pytest.raises(sigkit.InputError, match="no stage '1_befor'") as caught:
        sigkit.open_bench(job, "noise", stages="1_befor")
    assert "'1_before'" in caught.value.remedy
    with pytest.raises(sigkit.InputError, match="mains frequency of 500"):
        sigkit.open_bench(job, "noise", mains_hz=500)
    with pytest.raises(sigkit.InputError, match="no such job folder"):
        sigkit.open_bench(job / "elsewhere")
    bench = sigkit.open_bench(job, "noise")
    bench.measure(progress=False)
    with pytest.raises(sigkit.InputError, match="no 'outputt' here"):
        bench.look("outputt")
    with pytest.raises(sigkit.InputError, match="no quantity 'flor'"):
        bench.value("flor", "1_before")


def test_two_long_captures_take_two_processes_and_two_quick_ones_none():
    """A minute of two oscillators takes ten seconds of a core, of noise one."""
    takes = sigkit.open_job(SAMPLE).takes
    work = {
        test: sum(effort_of(take) for take in takes if take.name.test == test)
        for test in ("beating", "noise", "keyboard")
    }
    assert work["beating"] > LITTLE > max(work["noise"], work["keyboard"])


def test_captures_are_looked_over(job):
    """A copy under another name is named; a chart and two players of it."""
    for take in ("stability-oscillator_1-t1.wav", "stability-oscillator_1-t2.wav"):
        shutil.copy(SAMPLE / "3_after" / "stability-oscillator_2.wav", job / "1_before" / take)
    bench = sigkit.open_bench(job)
    with pytest.raises(sigkit.InputError, match="Nothing has been checked yet"):
        bench.checks.look()
    bench.check(progress=False)
    assert bench.checks.verdict("1_before/stability-oscillator_1-t2.wav") == "record again"
    assert bench.checks.verdict("1_before/noise-output.wav") == "usable"
    assert "copy of 1_before/stability-oscillator_1-t1.wav" in str(bench.checks.meaning())
    assert len(pictures_in(bench.checks.look())) == 1
    assert len(sounds_in(bench.checks.listen())) == 2


def test_a_cue_is_written_once(job, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    bench = sigkit.open_bench(job, "slider")
    assert "cue-slider.wav" in str(bench.cue())
    was = (tmp_path / "cue-slider.wav").stat().st_mtime_ns
    assert "cue-slider.wav" in str(bench.cue())
    assert (tmp_path / "cue-slider.wav").stat().st_mtime_ns == was
