"""``sigkit cue`` from the command line."""

from __future__ import annotations

import soundfile as sf

from sigkit.cli import main


def test_a_track_is_written_and_its_beeps_are_said(tmp_path, capsys):
    out = tmp_path / "cue.wav"
    call = ["cue", "keyboard", "--keys", "5", "--tempo", "2", "--rate", "44100", "--out", str(out)]
    assert main(call) == 0
    said = capsys.readouterr().out
    assert "keyboard, 5 keys, 2 passes, tempo 200 %" in said
    assert "one beep     press the next key up" in said
    assert "a long beep  done, hands off" in said
    assert max(map(len, said.splitlines()[:-1])) <= 80
    assert sf.info(out).samplerate == 44100
    assert main(call) == 2
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 3
    assert "nothing is written over" in lines[0]


def test_a_track_has_a_name_of_its_own(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert main(["cue", "waveform"]) == 0
    assert (tmp_path / "cue-waveform.wav").exists()


def test_a_wrong_option_is_said_in_three_lines(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert main(["cue", "noise", "--keys", "3"]) == 2
    assert len(capsys.readouterr().err.splitlines()) == 3
    assert not list(tmp_path.iterdir())
