"""One process at a time, whatever becomes of the one before."""

import importlib
import os
import subprocess
import sys
import tempfile
import time

import pytest

from sigkit.evidence.run.workers import SECOND_OPINION
from sigkit.measures import TESTS
from sigkit.tracks.turns import own_turn

HOLDS = """
import sys, time
from sigkit.tracks.turns import own_turn
with own_turn("tested") as turn:
    print(turn.held, flush=True)
    time.sleep(60)
"""


@pytest.fixture(autouse=True)
def own_folder(tmp_path, monkeypatch):
    """A folder for temporary files that only this test and its children use."""
    for name in ("TMPDIR", "TEMP", "TMP"):
        monkeypatch.setenv(name, str(tmp_path))
    monkeypatch.setattr(tempfile, "tempdir", None)


def test_another_process_waits_and_a_killed_one_leaves_nothing():
    with subprocess.Popen([sys.executable, "-c", HOLDS], stdout=subprocess.PIPE) as other:
        assert other.stdout.readline().strip() == b"True"
        with own_turn("tested", patience_s=0.1) as turn:
            assert not turn.held  # its turn still; we go on all the same
        with own_turn("something else", patience_s=0.0) as turn:
            assert turn.held
        other.kill()
        other.wait()
    begun = time.monotonic()
    with own_turn("tested") as turn:
        assert turn.held
    assert time.monotonic() - begun < 5
    with own_turn("tested", patience_s=0.0) as turn:
        assert turn.held  # let go of again


DOES = """
import sys, time
from sigkit.tracks.turns import own_turn
with own_turn("tested") as turn:
    print(turn.held, flush=True)
    time.sleep(0.5)
    if sys.argv[1] == "done":
        turn.done()
"""


@pytest.mark.parametrize("how", ["done", "given up"])
def test_those_that_waited_hear_whether_the_work_is_done(how):
    """Only of the one they waited for: what was done long before may be gone again."""
    with subprocess.Popen([sys.executable, "-c", DOES, how], stdout=subprocess.PIPE) as other:
        assert other.stdout.readline().strip() == b"True"
        with own_turn("tested", patience_s=0.0) as turn:
            assert not turn.held
        with own_turn("tested") as turn:
            assert turn.held
            assert turn.done_meanwhile == (how == "done")
            turn.done()
            assert not turn.held
            with own_turn("tested", patience_s=0.0) as next_one:
                assert next_one.held
                assert not next_one.done_meanwhile


def test_no_place_for_the_file_stops_nothing(tmp_path, monkeypatch):
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "not there"))
    with own_turn("tested") as turn:
        assert not turn.held


@pytest.mark.skipif(not hasattr(os, "symlink"), reason="no links here")
@pytest.mark.skipif(os.name == "nt", reason="links need a right there")
def test_a_link_that_somebody_laid_is_not_followed(tmp_path):
    path = tmp_path / f"sigkit-tested-{os.getuid()}.lock"
    path.symlink_to(tmp_path / "elsewhere")
    with own_turn("tested") as turn:
        assert not turn.held
    assert not (tmp_path / "elsewhere").exists()


def test_workers_know_which_tests_ask_librosa():
    asking = {
        name
        for name in TESTS
        if hasattr(importlib.import_module(f"sigkit.measures.{name}.measure"), "second_opinion")
    }
    assert asking == SECOND_OPINION
