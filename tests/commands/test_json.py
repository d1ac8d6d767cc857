"""``--json`` of every command: one object, its version, numbers in full, null with a reason."""

import importlib.util
import json
import math
from pathlib import Path

import pytest
import soundfile as sf
from defects import make_clean

import sigkit
from sigkit.cli import main
from sigkit.commands.say import SCHEMA, plain

_spec = importlib.util.spec_from_file_location(
    "evidence_fixtures", Path(__file__).parents[1] / "evidence" / "conftest.py"
)
_fixtures = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(_fixtures)
fake_slider = _fixtures.fake_slider
job_folder = _fixtures.job_folder


def printed(capsys, *words, code=0):
    assert main([*map(str, words), "--json"]) == code

    def refuse(constant):
        raise AssertionError(f"{constant} is no JSON")

    document = json.loads(capsys.readouterr().out, parse_constant=refuse)
    assert document["schema"] == SCHEMA
    assert document["command"] == words[0]
    assert document["sigkit"] == sigkit.__version__
    return document


def test_evidence_and_verify(job_folder, capsys):
    document = printed(capsys, "evidence", job_folder)
    assert Path(document["written"]).is_file()
    job = sigkit.open_job(job_folder)
    evidence = job.measure(progress=False)
    values = {
        (row.group, row.judged.quantity, stage): cell.quantity
        for row in evidence.rows
        for stage, cell in row.cells.items()
    }
    seen = set()
    for row in document["rows"]:
        for stage, cell in row["stages"].items():
            group = (row["test"], row["subject"], row["setting"])
            quantity = values[group, row["quantity"], stage]
            if cell["value"] is None:
                assert cell["reason"]
                seen.add("none")
            else:
                assert cell["value"] == quantity.value  # to the last bit
                seen.add("value")
    assert seen == {"none", "value"}
    assert len(document["captures"]) == 7
    folder = job_folder / "evidence"
    found = printed(capsys, "verify", folder, "--captures", job_folder)
    assert found["ok"] is True
    assert found["code"].startswith(document["code"])
    (folder / "results.csv").write_text("")
    assert printed(capsys, "verify", folder, code=1)["changed"] == ["results.csv"]


def test_check(tmp_path, capsys):
    made = make_clean("glide", 1)
    sf.write(tmp_path / "glide-a.wav", made.frames, made.rate, subtype="PCM_24")
    (tmp_path / "noise-b.wav").write_bytes(b"Dear diary")
    document = printed(capsys, "check", tmp_path, code=1)
    good, bad = document["captures"]
    assert good["verdict"] == "usable"
    assert good["duration_s"] == len(made.frames) / made.rate
    assert bad["duration_s"] is None
    assert "not audio" in bad["error"]


def test_what_is_made_is_listed(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    made = printed(capsys, "new", "job", "--no-sheets")["made"]
    assert [Path(name).name for name in made] == [
        "1_before", "job.toml", "readings.csv", "repairs.csv"
    ]  # fmt: skip
    (sheet,) = printed(capsys, "sheet", "slider", "--no-pdf")["files"]
    cue = printed(capsys, "cue", "waveform")
    assert (tmp_path / sheet).is_file()
    assert (tmp_path / cue["file"]).is_file()
    assert cue["steps"][0]["kind"] == "next"
    assert all(Path(name).exists() for name in made)


def test_the_demo(tmp_path, monkeypatch, capsys):
    from sigkit.synth import demo

    monkeypatch.setattr(demo, "SCENARIO", {})
    files = printed(capsys, "demo", tmp_path / "demo")["files"]
    assert [Path(name).name for name in files] == ["job.toml", "repairs.csv"]


def test_sound_inputs(monkeypatch, capsys):
    from sigkit.captures import sound_card

    one = sound_card.InputDevice(3, "USB", "ALSA", 2, 48000.0, True)
    monkeypatch.setattr(sound_card, "input_devices", lambda: [one])
    (device,) = printed(capsys, "record", "--devices")["devices"]
    assert (device["number"], device["rate_hz"]) == (3, 48000.0)
    error = printed(capsys, "record", "a", "warmup", "b", code=2)["error"]
    assert "--devices" in error["remedy"]


def test_an_error_is_json_too(tmp_path, capsys):
    assert main(["evidence", str(tmp_path / "none"), "--json"]) == 2
    out, err = capsys.readouterr()
    error = json.loads(out)["error"]
    assert [error["problem"], error["where"], error["remedy"]] == err.splitlines()


@pytest.mark.parametrize(
    ("value", "told"), [(math.nan, None), (math.inf, None), (0.1 + 0.2, 0.1 + 0.2)]
)
def test_numbers_are_told_in_full_or_not_at_all(value, told):
    assert plain({"x": [value]}) == {"x": [told]}
