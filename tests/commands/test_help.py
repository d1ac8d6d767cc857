"""Help of every command: one example each, at most 80 columns; and every example really runs."""

import os
import shlex
import shutil
import subprocess
import sys

import pytest
from sample import SAMPLE

from sigkit.cli import _parser, main
from sigkit.synth.live import LiveTone

COMMANDS = next(a.choices for a in _parser()._actions if a.dest == "==SUPPRESS==")
EXAMPLE = {name: parser.epilog.removeprefix("example:\n  ") for name, parser in COMMANDS.items()}


@pytest.mark.parametrize("name", ["", *COMMANDS])
@pytest.mark.parametrize("columns", ["80", "200"])
def test_help_is_narrow_and_has_one_example(name, columns, monkeypatch, capsys):
    monkeypatch.setenv("COLUMNS", columns)
    with pytest.raises(SystemExit, match="0"):
        main([name, "--help"] if name else ["--help"])
    out = capsys.readouterr().out
    assert max(map(len, out.splitlines())) <= 80
    assert out.count("example:\n  ") == 1
    assert "\x1b" not in out
    if name:
        assert f"sigkit {name}" in EXAMPLE[name]
        assert "--traceback" in out


def test_the_main_help_lists_every_command_and_the_exit_codes(capsys):
    with pytest.raises(SystemExit, match="0"):
        main(["--help"])
    out = capsys.readouterr().out
    for name in COMMANDS:
        assert f"\n    {name} " in out
    codes = out.partition("exit codes:\n")[2].splitlines()[:4]
    assert [line.split()[0] for line in codes] == ["0", "1", "2", "130"]


@pytest.fixture
def bench(tmp_path, monkeypatch):
    """A folder to work in, with one real capture to come, and a made source for a sound card."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(
        "sigkit.captures.sound_card.SoundCard", lambda *_, **__: LiveTone(440.0, live=False)
    )
    scenario = ["3_after/waveform-oscillator_2-square.wav"]
    from sigkit.synth import demo

    monkeypatch.setattr(demo, "SCENARIO", {name: demo.SCENARIO[name] for name in scenario})
    return tmp_path


def test_every_example_runs(bench, capsys):
    """One after the other as at the bench; the completion's is for a shell, see its own test."""
    for name in ("new", "sheet", "cue", "record", "check", "measure", "evidence", "verify", "demo"):
        if name == "check":  # the made tone is steady: go on with a slider that moves
            shutil.copy(SAMPLE / "1_before" / "slider-volume.wav", bench / "my_job" / "1_before")
        program, *words = shlex.split(EXAMPLE[name])
        assert program == "sigkit"
        code = main(words)
        out, err = capsys.readouterr()
        assert code == 0, f"{name}: {out}{err}"
        assert max(map(len, out.splitlines())) <= 80
    assert (bench / "my_job/evidence/report.html").is_file()
    assert set(EXAMPLE) - {"completion"} == {
        "new", "sheet", "cue", "record", "check", "measure", "evidence", "verify", "demo"
    }  # fmt: skip


@pytest.mark.skipif(sys.platform == "win32", reason="pipes differ")
@pytest.mark.parametrize("words", ["--help", "completion zsh", "check --help"])
def test_a_reader_that_closes_early_is_no_error(words):
    run = [sys.executable, "-m", "sigkit", *words.split()]
    reading, writing = os.pipe()
    os.close(reading)
    done = subprocess.run(run, stdout=writing, stderr=subprocess.PIPE, text=True, check=False)
    os.close(writing)
    assert done.stderr == ""
    assert done.returncode == 0


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="no /dev/full here")  # noqa: PTH110
def test_an_output_that_is_full_has_three_lines():
    with open("/dev/full", "w") as full:  # noqa: PTH123
        done = subprocess.run(
            [sys.executable, "-m", "sigkit", "completion", "bash"],
            stdout=full, stderr=subprocess.PIPE, text=True, check=False,
        )  # fmt: skip
    assert done.returncode == 2
    assert len(done.stderr.splitlines()) == 3
    assert "No space left" in done.stderr
