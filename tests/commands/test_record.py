"""``sigkit record``: names, what is shown, and how it ends."""

import os
import signal
import subprocess
import sys
import threading
import time

import pytest
from made_sources import RATE, Made

import sigkit
from sigkit.captures import level_line
from sigkit.captures import record as recorder
from sigkit.captures.disk_writer import Progress
from sigkit.cli import _parser, main
from sigkit.commands import record
from sigkit.errors import InputError
from sigkit.evidence.job.names import read_name
from sigkit.evidence.job.new_capture import new_capture
from sigkit.synth.live import LiveTone


@pytest.fixture
def stage(tmp_path):
    """A stage that is not there yet, of a job that is."""
    (tmp_path / "job").mkdir()
    return tmp_path / "job" / "1_before"


def run(source, *arguments):
    return record.run(_parser().parse_args(["record", *map(str, arguments)]), source)


def test_a_good_take(stage, capsys):
    assert run(LiveTone(440.0, live=False), stage, "Stability", "oscillator 1", "--seconds", 2) == 0
    out, err = capsys.readouterr()
    assert err == ""
    for words in (
        "recording ",
        "stability-oscillator_1.wav",
        "a made tone of 440 Hz",
        "by itself after 0:00:02",
        "length      0:00:02 (2.000 s, 96000 frames)",
        "peak        -12.0 dBFS",
        "clipped     0 samples",
        "lost        nothing",
        "verdict     usable",
    ):
        assert words in out
    capture = sigkit.open_capture(stage / "stability-oscillator_1.wav")
    assert capture.frames == 96000
    result = sigkit.measure_stability(capture)
    assert result.frequency.value == pytest.approx(440.0, abs=1e-4)
    takes = [take.key for take in sigkit.open_job(stage.parent).takes]
    assert takes == ["1_before/stability-oscillator_1.wav"]


def test_takes_are_numbered(stage, capsys):
    for _ in range(3):
        assert run(LiveTone(440.0, live=False), stage, "glide", "a", "half", "--seconds", 1.5) == 0
    names = ["glide-a-half-t2.wav", "glide-a-half-t3.wav", "glide-a-half.wav"]
    assert sorted(p.name for p in stage.glob("*.wav")) == names
    assert len(list(stage.glob("*.recording.json"))) == 3
    assert len(sigkit.open_job(stage.parent).takes) == 3
    assert not sigkit.open_job(stage.parent).problems
    with pytest.raises(InputError, match="has a take 2 of this already"):
        run(LiveTone(440.0), stage, "glide", "a", "half", "--take", 2)
    assert "glide-a-half-t3" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "take", "name"),
    [
        (("warmup", "Oscillator  1"), None, "warmup-oscillator_1.wav"),
        (("slider", "filter cutoff", "25 percent"), 7, "slider-filter_cutoff-25_percent-t7.wav"),
        (("envelope", "Größe"), 1, "envelope-größe.wav"),
    ],
)
def test_names_read_back(stage, words, take, name):
    path = new_capture(stage, *words, take=take)
    assert path == stage / name
    read = read_name(path.name)
    assert (read.test, read.take, read.part) == (words[0], take or 1, 0)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("warmp", "osc"), "Did you mean 'warmup'"),
        (("warmup", "osc-1"), "would read this name"),
        (("warmup", "t2"), "wrong place"),
        (("warmup", "osc", "t2"), "would read this name"),
        (("warmup", "osc", "p1"), "would read this name"),
        (("warmup", "osc", "50 %"), "does not say its test"),
        (("warmup", "a/b"), "does not say its test"),
        (("warmup", "../x"), "does not say its test"),
        (("warmup", " "), "does not say its test"),
    ],
)
def test_names_that_a_job_would_refuse(stage, words, said):
    with pytest.raises(InputError) as error:
        new_capture(stage, *words)
    assert said in str(error.value)
    assert len(str(error.value).splitlines()) == 3
    assert not stage.exists()


def test_the_next_take_counts_whatever_is_there(stage):
    """Other spellings, parts of a split take, a list whose capture was moved away."""
    stage.mkdir()
    (stage / "Warmup-Oscillator 1-T4-p1.WAV").touch()
    assert new_capture(stage, "warmup", "oscillator_1").name == "warmup-oscillator_1-t5.wav"
    (stage / "warmup-oscillator_1-t6.recording.json").touch()
    (stage / "warmup-nonsense-a-b-c.wav").touch()
    assert new_capture(stage, "warmup", "oscillator_1").name == "warmup-oscillator_1-t7.wav"
    assert new_capture(stage, "warmup", "oscillator_2").name == "warmup-oscillator_2.wav"


def test_folders_that_are_no_stage(stage, tmp_path):
    job = stage.parent
    (job / "job.toml").touch()
    (job / "a_file").touch()
    for folder, words in (
        (job, "This is the job's folder"),
        (job / "a_file", "no captures from a folder"),
        (job / "evidence", "no captures from a folder"),
        (job / ".hidden", "no captures from a folder"),
        (job / "verdict", "no captures from a folder"),
        (tmp_path / "jib" / "1_before", "There is no such job folder"),
    ):
        with pytest.raises(InputError, match=words):
            new_capture(folder, "warmup", "osc")


def test_unplugged_is_said_in_three_lines(stage, capsys):
    assert run(Made(fail_at=RATE), stage, "noise", "output") == 1
    out, err = capsys.readouterr()
    assert err.splitlines() == [
        "The made source was unplugged.",
        str(stage / "noise-output.wav"),
        "Check the sound card and its cable, then record the next take.",
    ]
    assert "(1.000 s, 48000 frames)" in out
    assert sigkit.open_capture(stage / "noise-output.wav").frames == RATE


def test_a_driver_that_hangs_does_not_keep_the_program(stage):
    code = (
        "import atexit, sys, time\n"
        "from made_sources import Made\n"
        "from sigkit.captures import record as recorder\n"
        "from sigkit.cli import _parser\n"
        "from sigkit.commands import record\n"
        "atexit.register(time.sleep, 100)\n"
        "recorder.STOP_S = 0.2\n"
        "call = _parser().parse_args(['record', sys.argv[1], 'noise', 'output'])\n"
        "record.run(call, Made(fail_at=5000, hangs=True))"
    )
    env = os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)}
    call = [sys.executable, "-c", code, str(stage)]
    ran = subprocess.run(call, env=env, capture_output=True, text=True, timeout=60)
    assert ran.returncode == 1
    assert "5000 frames" in ran.stdout
    assert len(ran.stderr.splitlines()) == 3


def test_lost_sound_is_a_problem(stage, capsys):
    source = Made(
        end_at=2 * RATE, speed=None, overflows=[(500, 0.1), (900, 0.1), (1000, 0.1), (5000, 0.1)]
    )
    assert run(source, stage, "stability", "osc") == 1
    out = capsys.readouterr().out
    assert "in 4 places" in out
    assert out.count("about 100 ms lost") == 3
    assert "see stability-osc.recording.json" in out


def test_a_take_unfit_for_its_test_is_a_problem(stage, capsys):
    assert run(LiveTone(440.0, -95.0, live=False), stage, "stability", "osc", "--seconds", 2) == 1
    assert "verdict     record again" in capsys.readouterr().out


@pytest.mark.parametrize("name", ["SIGTERM", "SIGHUP", "SIGINT"])
def test_signals_end_it_properly(stage, name, capsys):
    """Ctrl-C, a closed terminal, a computer that is shut down; before the length that was asked."""
    number = getattr(signal, name, None)
    if number is None:
        pytest.skip(f"no {name} on this system")
    before = signal.getsignal(number)
    timer = threading.Timer(1.5, signal.raise_signal, (number,))
    timer.start()
    # a timer's thread only asks: the signal is handled in the main one
    assert run(LiveTone(440.0), stage, "stability", "osc", "--seconds", 60) == 130
    timer.join()
    assert signal.getsignal(number) == before
    assert 0.5 < sigkit.open_capture(stage / "stability-osc.wav").duration_s < 3
    assert "verdict     usable" in capsys.readouterr().out


def test_ctrl_c_is_the_usual_end(stage):
    timer = threading.Timer(1.2, signal.raise_signal, (signal.SIGINT,))
    timer.start()
    assert run(LiveTone(440.0), stage, "stability", "osc") == 0
    timer.join()


def test_a_stage_that_got_nothing_is_taken_away_again(stage, monkeypatch, capsys):
    monkeypatch.setattr(recorder, "STALL_S", 0.2)
    with pytest.raises(sigkit.SignalError):
        run(Made(halt_at=0), stage, "noise", "output")
    assert not stage.exists()
    assert "new stage" in capsys.readouterr().out


def progress(**more):
    usual = {
        "duration_s": 3754.0,
        "recent_dbfs": (-18.3, -60.2),
        "peaks_dbfs": (-12.1, -58.0),
        "clipped": 0,
        "lost": 0,
        "queue_share": 0.0,
        "left_s": 43200.0,
    }
    return Progress(**(usual | more))


def test_the_line_that_shows_how_it_goes():
    line = level_line.progress_line(progress(), (-18.3, -60.2))
    assert line == "1:02:34  -18 -60 dBFS  highest -12 -58 good  lost 0  disk 12 h"
    for more, words in (
        ({"peaks_dbfs": (-20.0, -40.0)}, "low"),
        ({"peaks_dbfs": (-5.0, -40.0)}, "too high"),
        ({"clipped": 12}, "CLIPPED 12"),
        ({"lost": 3}, "lost 3"),
        ({"queue_share": 0.5}, "disk slow, queue 50 %"),
        ({"left_s": 600.0}, "disk 10 min"),
        ({"peaks_dbfs": (float("-inf"),) * 2}, "-- --"),
    ):
        now = progress(**more)
        assert words in level_line.progress_line(now, now.recent_dbfs)
    worst = progress(
        duration_s=360000.0,
        recent_dbfs=(-88.0,) * 2,
        peaks_dbfs=(-88.0,) * 2,
        clipped=10**8,
        lost=10**4,
        queue_share=1.0,
    )
    assert len(level_line.progress_line(worst, worst.recent_dbfs)) <= 79
    many = progress(peaks_dbfs=(-9.0, -20.0, -30.0), recent_dbfs=(-30.0, -20.0, -10.0))
    assert "-10 dBFS  highest -9 good" in level_line.progress_line(many, many.recent_dbfs)


def test_a_terminal_gets_one_line_and_a_file_one_each_ten_seconds(capsys, monkeypatch):
    now = [100.0]
    monkeypatch.setattr(level_line.time, "monotonic", lambda: now[0])
    for terminal, lines, returns in ((False, 3, 0), (True, 1, 124)):
        line = level_line.LevelLine(terminal)
        for i in range(310):
            line(progress(recent_dbfs=(-10.0 if i == 250 else -30.0, -60.0)))
            now[0] += 0.1
        line.end()
        out = capsys.readouterr().out
        assert out.count("\n") == lines
        assert out.count("\r") == pytest.approx(returns, abs=25)
        assert "-10 -60 dBFS" in out  # a peak between two looks is not missed


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (["record"], "The stage's folder, the test and the subject are needed."),
        (["record", "x", "warmup", "osc", "--take", "0"], "Takes count from 1."),
        (["record", "no/where", "warmup", "osc"], "There is no such job folder."),
        (["record", "x", "warmup", "osc", "--bits", "20"], "Argument --bits: invalid choice"),
    ],
)
def test_wrong_calls_give_three_lines(call, words, capsys):
    try:
        code = main(call)
    except SystemExit as end:
        code = end.code
    out, err = capsys.readouterr()
    assert (code, out, len(err.splitlines())) == (2, "", 3)
    assert err.startswith(words)


def test_live_tone_keeps_time(tmp_path):
    start = time.monotonic()
    recording = recorder.record_capture(tmp_path / "noise-a.wav", LiveTone(50.0), seconds=0.7)
    assert 0.6 < time.monotonic() - start < 2.0
    assert recording.frames == round(0.7 * RATE)
    assert recording.peaks_dbfs[0] == pytest.approx(-12.0, abs=0.001)


def test_a_closed_terminal_does_not_end_the_recording(tmp_path, monkeypatch):
    class Closed:
        def write(self, _):
            raise BrokenPipeError

        flush = write

    monkeypatch.setattr(level_line.sys, "stdout", Closed())
    path = tmp_path / "noise-a.wav"
    recording = recorder.record_capture(
        path, LiveTone(50.0), seconds=0.7, watch=level_line.LevelLine()
    )
    assert recording.complete
