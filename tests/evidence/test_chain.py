"""One list of captures a stage, each naming the one before."""

import hashlib
import json
import shutil
import subprocess

import pytest
from reports import rewrite_json

from sigkit.evidence.chain import chain_breaks, stage_lists
from sigkit.evidence.job.folder import open_job
from sigkit.evidence.manifest import sha256, verify


def test_each_stage_lists_its_captures_and_the_list_before(written):
    stages = json.loads((written / "manifest.json").read_text())["stages"]
    assert [entry["stage"] for entry in stages] == ["before", "after"]
    before, after = ((written / entry["list"]).read_bytes() for entry in stages)
    assert stages[0]["previous_sha256"] == ""
    assert stages[1]["previous_sha256"] == hashlib.sha256(before).hexdigest()
    assert stages[1]["sha256"] == hashlib.sha256(after).hexdigest()
    assert hashlib.sha256(before).hexdigest().encode() in after


@pytest.mark.skipif(shutil.which("sha256sum") is None, reason="needs sha256sum of GNU coreutils")
def test_the_lists_are_checked_without_this_library(finished):
    """By GNU coreutils' sha256sum, from the job's folder."""
    call = ["sha256sum", "-c", "--strict", "evidence/stages/after.sha256"]
    done = subprocess.run(call, cwd=finished, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert done.stdout.count(": OK") == 3
    with (finished / "after/slider-release.wav").open("ab") as file:
        file.write(b"\0")
    done = subprocess.run(call, cwd=finished, capture_output=True, text=True)
    assert done.returncode == 1
    assert "after/slider-release.wav: FAILED" in done.stdout


def test_odd_names_stand_in_a_list_as_sha256sum_reads_them(tmp_path):
    names = ["a/back\\slash.wav", "a/new\nline.wav", "a/  two.wav", "a/ä.wav"]
    (tmp_path / "a").mkdir()
    for name in names:
        (tmp_path / name).write_bytes(name.encode())
    entries = [{"path": name, "sha256": sha256(tmp_path / name)} for name in names]
    (made,) = stage_lists(["a"], [*entries, {"path": "a/lost.wav", "sha256": ""}])
    (tmp_path / "stages").mkdir()
    (tmp_path / made.path).write_bytes(made.content)
    assert chain_breaks(tmp_path, [made.to_dict()], {e["path"]: e["sha256"] for e in entries}) == []
    if shutil.which("sha256sum"):
        call = ["sha256sum", "-c", "--strict", made.path]
        assert subprocess.run(call, cwd=tmp_path, capture_output=True).returncode == 0


def forged(path, name):
    """Write a capture's hash anew in a list, as somebody would who changed the capture."""
    text = path.read_text()
    old = next(line for line in text.splitlines() if line.endswith(name))
    path.write_text(text.replace(old[:64], "0" * 64))


def test_the_stage_at_which_the_chain_breaks_is_named(written):
    forged(written / "stages/before.sha256", "slider-release.wav")
    found = verify(written)
    assert [stage for stage, _ in found.breaks] == ["before", "after"]
    assert "chain breaks at stage before: its list is not the one that" in found.lines()[1]

    def carried_on(document):  # a forger who changes the manifest too, but not the list after
        code = sha256(written / "stages/before.sha256")
        document["stages"][0]["sha256"] = code
        for entry in document["captures"]:
            if entry["path"] == "before/slider-release.wav":
                entry["sha256"] = "0" * 64
        for entry in document["outputs"]:
            if entry["path"] == "stages/before.sha256":
                entry["sha256"] = code

    rewrite_json(written / "manifest.json", carried_on)
    found = verify(written)
    assert found.changed == ()
    assert not found.ok
    assert found.breaks == (("after", "its list names another list before it than that of before"),)
    (written / "stages/after.sha256").unlink()
    assert verify(written).breaks == (("after", "its list is missing"),)


def test_a_capture_slipped_into_the_manifest_breaks_the_chain(written):
    extra = {"path": "after/slider-new.wav", "bytes": 1, "sha256": "0" * 64}
    rewrite_json(written / "manifest.json", lambda document: document["captures"].append(extra))
    assert verify(written).breaks == (("after", "its list holds other captures than the manifest"),)
    rewrite_json(written / "manifest.json", lambda document: document.update(stages=7))
    assert not verify(written).ok


@pytest.mark.usefixtures("bare")
def test_a_follow_up_changes_no_older_list_and_older_evidence_still_holds(
    written, finished, fake_slider
):
    fake_slider.tone(finished / "followup/slider-release.wav", 0.3)
    new = open_job(finished).measure(progress=False).write(written)
    assert new.name.startswith("evidence_")
    for name in ("stages/before.sha256", "stages/after.sha256"):
        assert (new / name).read_bytes() == (written / name).read_bytes()
    then, now = (json.loads((f / "manifest.json").read_text())["stages"] for f in (written, new))
    assert now[:2] == then
    assert now[2]["previous_sha256"] == then[1]["sha256"]
    assert verify(new, finished).ok
    older = verify(written, finished)
    assert older.ok
    assert older.later == ("followup",)
    assert older.added == ()
    fake_slider.tone(finished / "after/slider-late.wav", 0.3)
    assert verify(written, finished).added == ("after/slider-late.wav",)


def test_a_stage_of_another_name_is_renamed_not_added_later(written, finished):
    (finished / "after").rename(finished / "done")
    found = verify(written, finished)
    assert ("done/slider-release.wav", "after/slider-release.wav") in found.renamed
    assert (found.missing, found.later) == ((), ())
    assert not found.ok


def test_a_manifest_without_a_chain_is_still_read(written, finished):
    rewrite_json(written / "manifest.json", lambda document: document.pop("stages"))
    found = verify(written, finished)
    assert found.ok
    assert (found.chain, found.breaks) == ((), ())
