"""README holds what it says: its commands are calls, its code runs, its links lead somewhere."""

import re
import shlex
from pathlib import Path

import pandas as pd
import pytest
from sample import SAMPLE

from sigkit.cli import _parser
from sigkit.measures import TESTS

HOUSE = SAMPLE.parent
README = (HOUSE / "README.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"```(\w*)\n(.*?)```", README, re.DOTALL)
CALLS = [line for kind, block in BLOCKS if not kind for line in block.splitlines()]
CALLS = [line.partition("  #")[0].strip() for line in CALLS if line.startswith("sigkit ")]


def test_the_two_commands_stand_there():
    commands = [block.strip() for kind, block in BLOCKS if not kind]
    assert commands[0] == (
        "python -m venv .venv && . .venv/bin/activate && pip install . && "
        "sigkit evidence sample_audio"
    )
    assert commands[1] == "pip install '.[test]' && pytest"


@pytest.mark.parametrize("line", CALLS)
def test_every_command_is_a_call(line):
    assert _parser().parse_args(shlex.split(line)[1:]).run


def test_every_bench_test_and_command_is_told():
    commands = next(a.choices for a in _parser()._actions if a.dest == "==SUPPRESS==")
    for name in TESTS:
        assert README.count(f"| `{name}` |") == 2, name
    for name in commands:
        assert f"| `sigkit {name}" in README


def test_links_and_pictures_lead_somewhere():
    headings = re.findall(r"^#+ (.*)$", README, re.MULTILINE)
    anchors = {re.sub(r"[^\w -]", "", h.lower()).replace(" ", "-") for h in headings}
    for link in re.findall(r"\]\(([^)\s]+)\)", README):
        found = link[1:] in anchors if link.startswith("#") else (HOUSE / link).is_file()
        assert found, link
    pictures = list((HOUSE / "notebooks").glob("*.png"))
    assert sum(path.stat().st_size for path in pictures) < 600_000
    for path in pictures:
        assert f"(notebooks/{path.name})" in README


def test_it_can_be_read_in_an_hour():
    assert len(README.splitlines()) <= 390


def test_the_batch_runs(tmp_path, monkeypatch):
    (code,) = (block for kind, block in BLOCKS if kind == "python" and "Parallel" in block)
    folder = tmp_path / "my_recordings"
    folder.mkdir()
    sound = (SAMPLE / "1_before/stability-oscillator_2.wav").read_bytes()
    (folder / "a.wav").write_bytes(sound)
    Path(folder / "b.wav").write_bytes(b"Dear diary")
    monkeypatch.chdir(tmp_path)
    here = {}
    exec("import sigkit\n" + code.replace("n_jobs=-1", "n_jobs=1"), here)
    table = here["table"]
    assert isinstance(table, pd.DataFrame)
    assert table.loc[("a.wav", "frequency"), "value"] > 0
    assert "not audio" in table.loc[("b.wav", "capture"), "reason"]
