import hashlib
import json
import os

import pytest

from sigkit.errors import InputError
from sigkit.evidence.job.folder import open_job
from sigkit.evidence.manifest import is_evidence, sha256, verify


@pytest.fixture
def written(job_folder):
    return open_job(job_folder).measure(progress=False).write(job_folder / "evidence")


def test_sha256_matches_fips_180(tmp_path):
    """FIPS 180-4 example: SHA-256 of 'abc'."""
    (tmp_path / "abc").write_bytes(b"abc")
    expected = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert sha256(tmp_path / "abc") == expected


def test_manifest_lists_every_capture_and_output(written, job_folder):
    document = json.loads((written / "manifest.json").read_text())
    assert [e["path"] for e in document["captures"]] == sorted(
        p.relative_to(job_folder).as_posix()
        for stage in ("before", "after")
        for p in (job_folder / stage).rglob("*.[wW][aA][vV]")
    )
    for entry in document["captures"]:
        content = (job_folder / entry["path"]).read_bytes()
        assert entry["sha256"] == hashlib.sha256(content).hexdigest()
        assert entry["bytes"] == len(content)
    for entry in document["outputs"]:
        content = (written / entry["path"]).read_bytes()
        assert entry["sha256"] == hashlib.sha256(content).hexdigest()
    assert set(document["made_with"]) == {"sigkit", "python", "numpy", "scipy"}
    assert document["settings"]["limits"]["slider.worst_level"] == -50
    assert document["settings"]["captures"]["before/slider-release.wav"]["channel"] == 0


def test_every_kind_of_tampering_is_named(written, job_folder):
    (written / "results.csv").write_text("0")
    (written / "results.json").unlink()
    (written / "extra.txt").write_text("0")
    with (job_folder / "before/slider-release.wav").open("ab") as file:
        file.write(b"\0")
    (job_folder / "after/slider-release.wav").rename(job_folder / "after/slider-attack.wav")
    (job_folder / "after/slider-volume-t1.WAV").unlink()
    found = verify(written, job_folder)
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


def test_one_recording_sent_back(written, job_folder, tmp_path):
    back = tmp_path / "from the buyer.wav"
    back.write_bytes((job_folder / "after/slider-release.wav").read_bytes())
    found = verify(written, back)
    assert found.ok
    assert "after/slider-release.wav" in found.matched
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
