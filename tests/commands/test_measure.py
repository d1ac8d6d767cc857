"""``sigkit measure``: one capture on the command line, within a job and without."""

import json
import math
import shutil

import pytest
import soundfile as sf
from sample import SAMPLE

from sigkit.cli import main

KEYS = SAMPLE / "1_before" / "keyboard-oscillator_1.wav"
SQUARE = SAMPLE / "1_before" / "waveform-oscillator_2-square.wav"
CLIPPED = SAMPLE / "2_cleaned" / "slider-oscillator_1_level.wav"


@pytest.fixture(autouse=True)
def _no_progress(monkeypatch):
    """Say nothing of the time on a busy machine."""
    monkeypatch.setattr("sigkit.commands.progress.FIRST_S", 1e9)


def said(capsys):
    out, err = capsys.readouterr()
    assert all(len(line) <= 80 for line in out.splitlines())
    return " ".join(out.split()), err


def test_the_jobs_settings_hold_for_a_capture_of_it(capsys):
    """The demo plants E3 off, A3 dead, G4 bouncing and C#5 stuck, and 6 cents an octave."""
    assert main(["measure", "keyboard", str(KEYS)]) == 0
    out, err = said(capsys)
    assert "scale error 6.0" in out
    for key in ("key 12, E3", "key 17, A3: missing", "key 27, G4: double trigger", "key 33, C#5"):
        assert key in out
    assert "Outside limits: scale error. Often:" in out
    assert "outside limits (±1 cents/octave; probability within < 0.1 %)" in out
    assert "Limits: guide value, common practice, no source" in out
    assert err == ""


def test_limits_and_the_clock_of_the_job_and_where_they_come_from(tmp_path, capsys):
    """A service document's figure beside the shipped ones; a clock that is known to 2 ppm.

    An offset is known to 50 ppm, rectangular, by default: 2 * 50e-6 / sqrt(3) * 1200 / ln 2 is 0.10
    cents, and with 2 ppm 0.0040 (JCGM 100:2008, 4.3.7).
    """
    stage = tmp_path / "after"
    stage.mkdir()
    capture = stage / "stability-oscillator_2.wav"
    shutil.copy(SAMPLE / "3_after" / capture.name, capture)
    settings = "[limits.stability]\nspread = { limit = 0.4, source = 'service document, page 12' }"
    (tmp_path / "job.toml").write_text(f"clock_ppm = 2\n{settings}\n")
    assert main(["measure", "stability", str(capture)]) == 0
    out, _ = said(capsys)
    assert "(at most 0.4 cents; probability within" in out
    assert "Limits of spread of pitch: service document, page 12" in out
    assert "guide value, common practice, no source" in out
    assert main(["measure", "stability", str(capture), "--json"]) == 0
    rows = json.loads(capsys.readouterr().out)["rows"]
    by_name = {row["quantity"]: row for row in rows}
    assert by_name["spread"]["limit"]["source"] == "service document, page 12"
    budget = by_name["offset"]["stages"]["after"]["budget"]
    (clock,) = [term["u"] for term in budget if term["source"] == "sound-card clock"]
    assert clock == pytest.approx(2e-6 / 3**0.5 * 1200 / math.log(2), rel=1e-6)


def test_a_capture_by_itself_takes_its_options_from_the_call(tmp_path, capsys):
    alone = tmp_path / "Some wave (1).wav"
    shutil.copy(SQUARE, alone)
    call = ["measure", "waveform", str(alone)]
    assert main(call) == 0
    assert "duty cycle less nominal" not in said(capsys)[0]
    assert main([*call, "--set", "nominal_duty=50", "--json"]) == 0
    out, _ = capsys.readouterr()
    document = json.loads(out)
    row = next(r for r in document["rows"] if r["quantity"] == "duty_error")
    (stage,) = row["stages"].values()
    assert stage["value"] == pytest.approx(-6.0, abs=0.01)
    assert row["limit_verdict"] == "outside limits"
    assert row["cause"]["next_step"]


def test_a_chart_goes_into_a_new_file_only(tmp_path, capsys):
    chart = tmp_path / "chart.png"
    call = ["measure", "waveform", str(SQUARE), "--chart", str(chart)]
    assert main(call) == 0
    before = chart.read_bytes()
    assert before[:8] == b"\x89PNG\r\n\x1a\n"
    capsys.readouterr()
    assert main(call) == 2
    assert "there already" in capsys.readouterr().err
    assert chart.read_bytes() == before


def test_a_capture_that_cannot_answer_says_so_in_three_lines(capsys):
    assert main(["measure", "slider", str(CLIPPED)]) == 1
    out, err = capsys.readouterr()
    assert out == ""
    first, where, remedy = err.splitlines()
    assert first.startswith("Record again: clipped")
    assert where == "2_cleaned/slider-oscillator_1_level.wav"
    assert "record again" in remedy


@pytest.mark.parametrize(
    ("more", "problem", "remedy"),
    [
        (["keybord", str(KEYS)], "no bench test named 'keybord'", "'keyboard'"),
        (["keyboard", str(KEYS) + ".no"], "no such file", "WAV"),
        (["keyboard", str(KEYS), "--set", "kees=44"], "no option 'kees'", "'keys'"),
        (["keyboard", str(KEYS), "--set", "keys"], "no option with a value", "NAME=VALUE"),
        (["keyboard", str(KEYS), "--set", "keys=many"], "must be a whole number", "of that kind"),
    ],
)
def test_a_wrong_call_has_three_lines(more, problem, remedy, capsys):
    assert main(["measure", *more]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert len(err.splitlines()) == 3
    assert problem in err
    assert remedy in err


def test_a_channel_may_be_named(tmp_path, capsys):
    sound, rate = sf.read(SQUARE)
    both = tmp_path / "both.wav"
    sf.write(both, [[0.0, x] for x in sound], rate)
    assert main(["measure", "waveform", str(both), "--channel", "0"]) == 1
    assert "silent" in capsys.readouterr().err
    assert main(["measure", "waveform", str(both), "--channel", "1"]) == 0
    assert "channel 1" in capsys.readouterr().out
