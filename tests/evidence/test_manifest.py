"""What was written is what is there, and what changed is named."""

import hashlib
import json
import os

import pandas as pd
import pytest
import soundfile as sf
from reports import rewrite_json

from sigkit.errors import InputError
from sigkit.evidence.job.folder import open_job
from sigkit.evidence.manifest import is_evidence, sha256, verify


def test_sha256_matches_fips_180(tmp_path):
    """FIPS 180-4 example: SHA-256 of 'abc'."""
    (tmp_path / "abc").write_bytes(b"abc")
    expected = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert sha256(tmp_path / "abc") == expected


def test_manifest_lists_every_capture_and_output(written, finished):
    document = json.loads((written / "manifest.json").read_text())
    assert [e["path"] for e in document["captures"]] == sorted(
        p.relative_to(finished).as_posix()
        for stage in ("before", "after")
        for p in (finished / stage).rglob("*.[wW][aA][vV]")
    )
    for entry in document["captures"]:
        content = (finished / entry["path"]).read_bytes()
        assert entry["sha256"] == hashlib.sha256(content).hexdigest()
        assert entry["bytes"] == len(content)
    for entry in document["outputs"]:
        content = (written / entry["path"]).read_bytes()
        assert entry["sha256"] == hashlib.sha256(content).hexdigest()
    assert set(document["made_with"]) == {"sigkit", "sigkit_source", "python", "numpy", "scipy"}
    assert document["settings"]["limits"]["slider.worst_level"] == -50
    assert document["settings"]["captures"]["before/slider-release.wav"]["channel"] == 0


def test_every_kind_of_tampering_is_named(written, finished):
    (written / "results.csv").write_text("0")
    (written / "results.json").unlink()
    (written / "extra.txt").write_text("0")
    with (finished / "before/slider-release.wav").open("ab") as file:
        file.write(b"\0")
    (finished / "after/slider-release.wav").rename(finished / "after/slider-attack.wav")
    (finished / "after/slider-volume-t1.WAV").unlink()
    found = verify(written, finished)
    assert not found.ok
    assert found.changed == ("before/slider-release.wav", "results.csv")
    assert found.missing == ("after/slider-volume-t1.WAV", "results.json")
    assert found.added == ("extra.txt",)
    assert found.renamed == (("after/slider-attack.wav", "after/slider-release.wav"),)
    assert found.captures_checked
    assert "does not show when" in " ".join(str(found).split())
    assert "changed: results.csv" in found._repr_html_()


def test_outputs_alone(written):
    found = verify(written)
    assert found.ok
    assert not found.captures_checked
    assert found.code == sha256(written / "manifest.json")


def test_one_recording_sent_back(written, finished, tmp_path):
    back = tmp_path / "from the buyer.wav"
    back.write_bytes((finished / "after/slider-release.wav").read_bytes())
    found = verify(written, back)
    assert found.ok
    assert "after/slider-release.wav" in found.matched
    assert found.lines()[0] == f"{back.name} matches capture after/slider-release.wav, unchanged"
    back.write_bytes(b"another")
    assert verify(written, back).added == (back.name,)


def test_a_file_that_is_no_capture_of_the_list_is_said_to_be_none(written, tmp_path):
    outputs = sum(path.is_file() for path in written.rglob("*")) - 1
    for name in ("README.md", "results.csv"):  # the second is the name of an output too
        other = tmp_path / name
        other.write_bytes(b"something else")
        found = verify(written, other)
        assert not found.ok
        assert found.added == (name,)
        assert not found.captures_checked
        assert found.lines() == [
            f"not in the list: {name} has the content of no listed capture",
            "chain of stages whole, each list names the one before: before, after",
            f"{outputs} files match: outputs (captures not checked)",
        ]


def test_no_manifest(tmp_path, written):
    with pytest.raises(InputError, match="no readable manifest"):
        verify(tmp_path)
    (written / "manifest.json").write_text("[]")
    assert not is_evidence(written)
    with pytest.raises(InputError, match="no readable manifest"):
        verify(written)


def test_no_captures(written, tmp_path):
    os.mkfifo(tmp_path / "pipe.wav")
    with pytest.raises(InputError, match="no captures at that place"):
        verify(written, tmp_path / "pipe.wav")
    with pytest.raises(InputError, match="no captures at that place"):
        verify(written, tmp_path / "none")


def test_a_recording_with_another_header_is_told_by_its_samples(written, finished, tmp_path):
    """A chunk behind the sound, as editors write it: not the file, yet every sample of it."""
    back = tmp_path / "tagged.wav"
    sound, rate = sf.read(finished / "after/slider-release.wav", dtype="int16")
    with sf.SoundFile(back, "w", rate, 1, "PCM_16") as file:
        file.title = "sent back"
        file.write(sound)
    found = verify(written, back)
    assert not found.ok
    assert found.stranger == "tagged.wav"
    assert found.same_samples == ("after/slider-release.wav",)
    assert "every sample of it is that of after/slider-release.wav" in found.lines()[1]
    sound[1000] += 1
    sf.write(back, sound, rate, "PCM_16")
    assert verify(written, back).same_samples == ()


@pytest.mark.parametrize("name", ["stages/before.sha256", "results.csv"])
def test_line_ends_that_a_transfer_changed_are_told_as_that(written, name):
    path = written / name
    path.write_bytes(path.read_bytes().replace(b"\n", b"\r\n"))
    found = verify(written)
    assert not found.ok
    assert found.changed == (name,)
    (line,) = (line for line in found.lines() if line.startswith("changed: "))
    assert line == f"changed: {name} (only its line ends: an editor or a transfer made CRLF of LF)"
    if name.startswith("stages"):
        assert found.breaks == (("before", "only its line ends are others (CRLF)"),)
    path.write_bytes(path.read_bytes() + b"\r\n")
    assert verify(written).how == ()


def test_a_size_edited_in_the_manifest_is_noticed(written, finished):
    def edit(document):
        document["captures"][0]["bytes"] += 1
        document["outputs"][0]["bytes"] = 7

    rewrite_json(written / "manifest.json", edit)
    found = verify(written, finished)
    assert not found.ok
    assert len(found.edited) == 2
    assert any("the manifest was edited by hand: it gives" in line for line in found.lines())
    assert len(verify(written).edited) == 1


@pytest.mark.parametrize("kind", [("FLAC", "PCM_16"), ("WAV", "PCM_24")])
def test_a_capture_written_anew_is_told_from_another_recording(written, finished, kind):
    """Sixteen bits in another file: the same sound, not the same file; fewer bits are another."""
    path = finished / "after/slider-release.wav"
    sound, rate = sf.read(path, dtype="int16")
    sf.write(path, sound, rate, format=kind[0], subtype=kind[1])
    found = verify(written, finished)
    assert not found.ok
    assert found.changed == ("after/slider-release.wav",)
    assert "every sample is the same" in found.lines()[0]
    sf.write(path, sound // 256 * 256, rate, format="WAV", subtype="PCM_16")
    assert verify(written, finished).lines()[0] == "changed: after/slider-release.wav"


def test_a_file_that_cannot_be_read_is_named(written, finished, monkeypatch):
    """As by permission, which the tests of a superuser would not notice."""

    def refused(path):
        if path.name == "slider-release.wav":
            raise PermissionError(13, "Permission denied")
        return "0" * 64

    monkeypatch.setattr("sigkit.evidence.manifest.sha256", refused)
    for captures in (finished, finished / "after/slider-release.wav"):
        with pytest.raises(InputError, match="cannot be read: Permission denied") as caught:
            verify(written, captures)
        assert len(str(caught.value).splitlines()) == 3
        assert "slider-release.wav" in caught.value.where


@pytest.mark.usefixtures("bare")
def test_a_file_of_another_kind_that_was_listed_is_looked_for(finished):
    """A recording that is no WAV is listed as not used; it is not missing where it still lies."""
    sound, rate = sf.read(finished / "after/slider-release.wav")
    sf.write(finished / "after/slider-attack.flac", sound, rate)
    folder = open_job(finished).measure(progress=False).write(finished / "evidence_2")
    assert verify(folder, finished).ok
    (finished / "after/slider-attack.flac").unlink()
    assert verify(folder, finished).missing == ("after/slider-attack.flac",)


def test_settings_and_logs_that_changed_since_are_remarked(written, finished):
    (finished / "readings.csv").write_text("stage,room_c\nbefore,21\n")
    (finished / "job.toml").write_text("mains_hz = 60\n[stages.followup]\nroom_c = 20\n")
    found = verify(written, finished)
    assert found.ok
    assert found.remarks == (
        "readings.csv is new since this evidence was made",
        "job.toml has changed since this evidence was made: wide",
    )


@pytest.mark.usefixtures("fake_slider")
def test_numbers_are_computed_again(written, finished):
    found = verify(written, finished, recompute=True)
    assert found.ok
    assert found.recomputed.numbers > 30
    assert found.recomputed.other_versions == ()
    assert f"all {found.recomputed.numbers} numbers the same" in str(found)
    assert list(finished.glob("evidence*")) == [written]
    with pytest.raises(InputError, match="whole job"):
        verify(written, finished / "before/slider-release.wav", recompute=True)


@pytest.mark.usefixtures("fake_slider")
def test_a_number_that_was_changed_is_named_with_its_difference(written, finished):
    """Even in the ninth digit, and with a manifest that was made to fit."""
    lines = (written / "results.csv").read_text().splitlines()
    row = next(n for n, line in enumerate(lines) if line.startswith("slider,release,,worst_level"))
    cells = lines[row].split(",")
    honest = float(cells[5])
    cells[5] = f"{honest - 1e-7:.9g}"
    lines[row] = ",".join(cells)
    (written / "results.csv").write_text("\n".join(lines) + "\n")

    def fit(document):
        document["made_with"]["numpy"] = "1.0"
        for entry in document["outputs"]:
            entry["sha256"] = sha256(written / entry["path"])

    rewrite_json(written / "manifest.json", fit)
    assert verify(written).ok
    found = verify(written, finished, recompute=True)
    assert not found.ok
    (difference,) = found.recomputed.differences
    assert (difference.row, difference.column) == ("slider release worst_level", "before")
    assert difference.by == pytest.approx(1e-7, rel=0.1)
    assert any(line.startswith("other version: numpy 1.0 then") for line in found.lines())


@pytest.mark.usefixtures("fake_slider")
def test_a_table_of_an_older_version_is_compared_as_far_as_it_goes(written, finished):
    """Columns and lines that came later are no differences; a number that is another still is."""
    table = pd.read_csv(written / "results.csv", dtype=str, keep_default_na=False)
    older = table.drop(columns=["kind", "mark_percent", "last_tested", "last_tested_verdict"])
    older.to_csv(written / "results.csv", index=False, lineterminator="\n")
    found = verify(written, finished, recompute=True).recomputed
    assert found.ok
    assert found.remarks[-1].endswith("last_tested, last_tested_verdict, kind, mark_percent")
    older.loc[0, "before"] = "-1.5"
    older.to_csv(written / "results.csv", index=False, lineterminator="\n")
    assert len(verify(written, finished, recompute=True).recomputed.differences) == 1


@pytest.mark.usefixtures("fake_slider", "bare")
def test_settings_of_the_manifest_hold_where_job_toml_is_not_beside_the_captures(
    finished, tmp_path
):
    (finished / "job.toml").write_text(
        'mains_hz = 60\n[stages.before]\ndate = 2026-03-02\n[captures."after/slider-release"]\n'
        'controls = "level"\nswitched_on = 2026-03-02T10:00:00\n[limits.slider]\n'
        "events_per_pass = 3\n[private]\nowner = 'nobody'\n"
    )
    folder = open_job(finished).measure(progress=False).write(tmp_path / "evidence")
    (finished / "job.toml").unlink()
    found = verify(folder, finished, recompute=True)
    assert found.ok
    assert any("settings of the manifest used" in text for text in found.recomputed.remarks)
    assert "nobody" not in (folder / "manifest.json").read_text()
