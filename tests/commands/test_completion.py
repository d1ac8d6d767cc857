"""The Tab key: what is offered, and that a real bash takes it."""

import os
import select
import shutil
import stat
import subprocess
import sys
import time
from pathlib import Path

import pytest

import sigkit
from sigkit.cli import main
from sigkit.commands.completion import SHELLS
from sigkit.measures import TESTS


@pytest.fixture
def job(tmp_path, monkeypatch):
    """A job with a few names, and the working folder around it."""
    monkeypatch.chdir(tmp_path)
    for name in ("slider-volume", "slider-filter_cutoff", "glide-portamento-half", "holiday"):
        path = tmp_path / "my job" / "1_before" / f"{name}.wav"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.touch()
    return tmp_path / "my job"


@pytest.mark.parametrize(
    ("words", "offered"),
    [
        (["me"], ["words", "measure"]),
        (["--v"], ["words", "--version"]),
        (["measure", ""], ["words", *TESTS]),
        (["measure", "slider", ""], ["files"]),
        (["measure", "--json", "slider", ""], ["files"]),
        (["measure", "--ch"], ["words", "--channel", "--chart"]),
        (["measure", "noise", "x.wav", "--set", "m"], ["words", "mains_hz="]),
        (["measure", "noise", "x.wav", "y"], ["words"]),
        (["evidence", "--out", ""], ["folders"]),
        (["check", "a.wav", "--test", "sl"], ["words", "slider"]),
        (["check", "a.wav", "b"], ["files"]),
        (["sheet", "slider", "key"], ["words", "keyboard"]),
        (["sheet", "--paper", ""], ["words", "a4", "letter"]),
        (["record", "my job/1_before", "slider", ""], ["words", "filter_cutoff", "volume"]),
        (["record", "my job/2_cleaned", "glide", "portamento", ""], ["words", "half"]),
        (["record", "--seconds", "9", ""], ["folders"]),
        (["completion", "f"], ["words", "fish"]),
        (["nothing", ""], ["words"]),
    ],
)
@pytest.mark.usefixtures("job")
def test_what_is_offered(words, offered, capsys):
    assert main(["completion", "words", "--", *words]) == 0
    assert capsys.readouterr().out.splitlines() == offered


def test_scripts(capsys):
    for shell in SHELLS:
        assert main(["completion", shell]) == 0
        assert "sigkit completion words" in capsys.readouterr().out
    assert main(["completion", "words", "--", "measure", "sl"]) == 0
    assert capsys.readouterr().out == "words\nslider\n"
    assert main(["completion", "korn"]) == 2
    assert len(capsys.readouterr().err.splitlines()) == 3


@pytest.fixture
def program(job):
    """A ``sigkit`` to be found first by a shell; returns the environment for it."""
    program = job.parent / "bin" / "sigkit"
    program.parent.mkdir()
    house = Path(sigkit.__file__).parents[1]
    program.write_text(f'#!/bin/sh\nPYTHONPATH={house} exec {sys.executable} -m sigkit "$@"\n')
    program.chmod(program.stat().st_mode | stat.S_IXUSR)
    path = f"{program.parent}:{os.environ['PATH']}"
    return {**os.environ, "PATH": path, "HOME": str(job.parent), "TERM": "dumb", "PS1": "> "}


SHELL_CALLS = {
    "bash": ["--norc", "--noprofile", "-i"],
    "zsh": ["-f", "-i"],
}
READY = {
    "bash": 'eval "$(sigkit completion bash)"; echo rea""dy\n',
    "zsh": 'autoload -Uz compinit && compinit -u -D; eval "$(sigkit completion zsh)"; '
    'echo rea""dy\n',
}


@pytest.fixture(params=list(SHELL_CALLS))
def terminal(request, program):
    """Return a function that types into a real shell in a terminal and returns what shows."""
    pty = pytest.importorskip("pty")
    shell_path = shutil.which(request.param)
    if shell_path is None:
        pytest.skip(f"no {request.param} here")
    own, other = pty.openpty()
    shell = subprocess.Popen(
        [shell_path, *SHELL_CALLS[request.param]],
        stdin=other, stdout=other, stderr=other, start_new_session=True,
        env={**program, "INPUTRC": "/dev/null"},
    )  # fmt: skip
    os.close(other)

    def typed(text, until):
        os.write(own, text.encode())
        shown, end = "", time.monotonic() + 60
        while time.monotonic() < end and until not in shown:
            if select.select([own], [], [], 0.2)[0]:
                shown += os.read(own, 4096).decode(errors="replace")
        os.write(own, b"\x15")  # clear the line
        assert until in shown, shown
        return shown

    typed(READY[request.param], "ready")
    yield typed
    shell.kill()
    shell.wait()
    os.close(own)


def test_a_real_shell(terminal):
    terminal("sigkit ev\t", "evidence ")
    terminal("sigkit measure wav\t", "waveform ")
    terminal("sigkit measure slider my\t", "my\\ job/")
    terminal("sigkit measure slider my\\ job/1_before/slider-v\t", "slider-volume.wav ")
    terminal("sigkit record my\\ job/1_before slider fil\t", "filter_cutoff ")
    terminal("sigkit measure noise x --set ma\t", "mains_hz=")
    terminal("sigkit measure noise x --set mains_hz=50 --char\t", "--chart ")


def test_a_real_fish(program, job):
    """It says itself what it would offer, without a terminal."""
    fish = shutil.which("fish")
    if fish is None:
        pytest.skip("no fish here")
    offered = {
        "sigkit ev": "evidence",
        "sigkit evidence my": "my job/",
        "sigkit measure slider my": "my job/",
        "sigkit measure slider my\\ job/1_before/slider-v": "my job/1_before/slider-volume.wav",
        "sigkit record my\\ job/1_before slider fil": "filter_cutoff",
        "sigkit measure noise x --set ma": "mains_hz=",
        "sigkit measure noise x --set mains_hz=50 --char": "--chart",
    }
    asks = "; ".join(f"complete -C '{line}'" for line in offered)
    call = [fish, "--no-config", "-c", f"sigkit completion fish | source; {asks}"]
    done = subprocess.run(call, env=program, cwd=job.parent, capture_output=True, text=True)
    assert done.stdout.splitlines() == list(offered.values()), done.stderr
