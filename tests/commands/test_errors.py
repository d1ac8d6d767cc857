"""Whatever goes wrong is said in three lines: what, where, what to do; no traceback unasked."""

import subprocess
import sys

import numpy as np
import pytest
import soundfile as sf

from sigkit.cli import main


@pytest.fixture
def bench(tmp_path, monkeypatch):
    """A folder with one short capture, one text that is called .wav, and a job that is wrong."""
    monkeypatch.chdir(tmp_path)
    sf.write("stability-a.wav", 0.3 * np.sin(np.arange(16000) * 0.17), 8000)
    (tmp_path / "text.wav").write_text("hello")
    (tmp_path / "empty").mkdir()
    (tmp_path / "job" / "1_before").mkdir(parents=True)
    (tmp_path / "done" / "evidence").mkdir(parents=True)
    (tmp_path / "done" / "evidence" / "manifest.json").touch()
    (tmp_path / "job" / "job.toml").write_text("unitt = 'x'\n")
    return tmp_path


CALLS = """
check empty | no captures | empty | WAV files
check stability-a.wav --test wobble | no bench test named 'wobble' | test | Known tests
check job | Unknown key 'unitt' | job.toml | 'unit'
evidence text.wav | not a folder | text.wav | one sub-folder
evidence empty | no stages | empty | sub-folders
measure stability none.wav | no such file | none.wav | Name a WAV file
measure stability empty | a folder | empty | one WAV file in it
measure stability text.wav | not audio | text.wav | convert it
measure stability stability-a.wav --channel x | whole number; got 'x' | sigkit measure | --help
measure stability stability-a.wav --channel 3 | no channel 3 | stability-a.wav | from 0
measure stability stability-a.wav --set mains_hz=0 | from 40 to 70 | stability-a.wav | 50 or 60
measure stability stability-a.wav --chart no/x.png | folder for the chart | no/x.png | Make it
measure stability stability-a.wav --chart x.wav | PNG | x.wav | .png
verify done | a job, not its evidence | done | done/evidence --captures done
verify empty | no readable manifest | empty | manifest.json
new text.wav | cannot be made | text.wav | folder
new more --mains 0 | from 40 to 70 Hz; got 0 | sigkit new | 50 or 60
new more --mains | --mains needs a value | sigkit new | --help
sheet wobble | no bench test | sheet | Known tests
sheet slider --paper a3 | no choice 'a3' for --paper | sigkit sheet | a4, letter
cue slider --tempo nan | 0.5 to 2 | tempo | usual
cue slider --out no/c.wav | cannot be written | no/c.wav | folder
demo text.wav | cannot be made | text.wav | write to
record empty/1 slider volume --seconds nan | above 0 | sigkit record | Ctrl-C
record no/1 slider volume | no such job folder | no | Make it
completion korn | no script | sigkit completion | bash
"""


@pytest.mark.usefixtures("bench")
@pytest.mark.parametrize("line", CALLS.strip().splitlines())
def test_three_lines(line, capsys):
    call, what, where, remedy = (part.strip() for part in line.split(" | "))
    try:
        code = main(call.split())
    except SystemExit as end:
        code = end.code
    out, err = capsys.readouterr()
    told = err.splitlines()
    assert len(told) == 3, err
    assert what in told[0]
    assert where in told[1]
    assert remedy in told[2]
    assert out == ""
    assert code == (1 if "text.wav" in call and call.startswith("measure") else 2)


def fail(*_, **__):
    raise RuntimeError("a drum in the attic")


def test_a_fault_of_our_own_is_no_wall_of_text(bench, monkeypatch, capsys):
    monkeypatch.setattr("sigkit.evidence.job.new_job.new_job", fail)
    assert main(["new", str(bench / "x")]) == 2
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 3
    assert "a drum in the attic" in lines[0]
    assert lines[1].startswith("test_errors.py, line ")
    assert "--traceback" in lines[2]
    assert main(["new", str(bench / "x"), "--traceback"]) == 2
    err = capsys.readouterr().err
    assert "Traceback (most recent call last)" in err
    assert "RuntimeError: a drum in the attic" in err
    assert err.splitlines()[-3:] == lines


@pytest.mark.parametrize(
    ("error", "told"),
    [
        (OSError(28, "No space left on device", "disk"), "No space left on device"),
        (MemoryError(), "not enough memory"),
    ],
)
def test_what_the_computer_refuses(error, told, bench, monkeypatch, capsys):
    def refuse(*_, **__):
        raise error

    monkeypatch.setattr("sigkit.evidence.job.new_job.new_job", refuse)
    assert main(["new", str(bench / "x")]) == 2
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 3
    assert told in lines[0]


def test_warnings_come_last_and_once():
    code = (
        "import sys, warnings, sigkit.commands.new as new, sigkit.cli as cli\n"
        "def run(call):\n"
        "    for _ in range(3): warnings.warn('the moon is full', RuntimeWarning)\n"
        "    warnings.warn('A worker stopped while some jobs were given to the executor. Why')\n"
        "    print('done', flush=True); print('still at it', file=sys.stderr); return 0\n"
        "new.run.__code__ = run.__code__; new.run.__globals__.update(warnings=warnings, sys=sys)\n"
        "sys.exit(cli.main(['new', 'x']))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stderr.splitlines() == ["still at it", "Remark of the program: the moon is full"]


def test_a_terminal_without_our_signs_gets_plainer_ones(tmp_path):
    code = "import sys, sigkit.cli as cli; cli.say_plainly(); print('\\u22123 ± 1 °C \\xd7 2 ☂')"
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True, check=True, cwd=tmp_path, env={"PYTHONIOENCODING": "ascii", **_path()},
    )  # fmt: skip
    assert done.stdout.strip() == b"-3 +- 1  deg C x 2 ?"


def _path():
    import os

    return {k: v for k, v in os.environ.items() if k in ("PATH", "PYTHONPATH", "SYSTEMROOT")}


def test_an_interrupt_that_a_library_swallows_comes_again(bench, monkeypatch, capsys):
    """Ctrl-C during a call from C back to Python is printed and dropped by the interpreter."""
    import ctypes
    import time

    def interrupted():
        raise KeyboardInterrupt

    def compile_slowly(*_, **__):
        ctypes.CFUNCTYPE(None)(interrupted)()
        time.sleep(30)

    monkeypatch.setattr("sigkit.evidence.job.new_job.new_job", compile_slowly)
    began = time.monotonic()
    assert main(["new", str(bench / "x")]) == 130
    assert time.monotonic() - began < 20
    assert len(capsys.readouterr().err.splitlines()) == 1
