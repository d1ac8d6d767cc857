"""A small job through the real measures and worker processes, with the truth known."""

import sys

import joblib
import numpy as np
import pytest
import soundfile as sf

from sigkit.evidence.job.folder import open_job
from sigkit.evidence.run import progress
from sigkit.quantity import Quantity

RATE = 16000
OFF_CENTS = {"before": 14.0, "after": 3.0}


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Sums of sines at known offsets from A3 = 220 Hz (ISO 16), independent of the estimator."""
    folder = tmp_path_factory.mktemp("job")
    random = np.random.default_rng(11)
    t = np.arange(4 * RATE) / RATE
    for stage, cents in OFF_CENTS.items():
        (folder / stage).mkdir()
        for take in (1, 2):
            tone = sum(
                0.2
                / k
                * np.sin(2 * np.pi * k * 220 * 2 ** (cents / 1200) * t + random.uniform(0, 6))
                for k in range(1, 9)
            )
            noise = random.normal(0, 1e-4, t.size)
            sf.write(folder / stage / f"stability-osc-t{take}.wav", tone + noise, RATE, "PCM_24")
    (folder / "job.toml").write_text(
        "[options.stability]\nnominal_hz = 220\n"
        "[stages.before]\nroom_c = 20\nrails_v = {plus = 15.0}\n"
        "[stages.after]\nroom_c = 21.5\nrails_v = {plus = 15.04}\n"
        + "".join(
            f"[captures.'{stage}/stability-osc-t{take}']\npower_on_s = {since_s}\n"
            for stage, since_s in (("before", -2400), ("after", -2600))
            for take in (1, 2)
        )
    )
    return folder


@pytest.fixture(scope="module")
def evidence(folder):
    return open_job(folder).measure(progress=False)


def test_the_offset_of_each_stage_and_its_change(evidence):
    offset = evidence.table.set_index("quantity").loc["offset"]
    for stage, cents in OFF_CENTS.items():
        assert offset[stage] == pytest.approx(cents, abs=4 * offset[f"u_{stage}"])
    change = next(r for r in evidence.rows if r.judged.quantity == "offset").change
    assert isinstance(change, Quantity)
    assert change.value == pytest.approx(-11.0, abs=max(change.expanded, 0.02))
    assert offset.verdict == "improved"
    assert offset.remarks == ""
    frequency = evidence.table.set_index("quantity").loc["frequency"]
    assert frequency.verdict == ""


def test_worker_processes_and_threads_give_the_same_bytes(folder, evidence, tmp_path):
    with joblib.parallel_config(backend="threading"):
        other = open_job(folder).measure(progress=False)
    first, second = evidence.write(tmp_path / "a"), other.write(tmp_path / "b")
    names = [p.relative_to(first) for p in first.rglob("*") if p.is_file()]
    assert len([name for name in names if name.parts[0] != "listing"]) == 8
    assert len(names) > 8
    for name in names:
        assert (first / name).read_bytes() == (second / name).read_bytes(), name


def test_progress_is_shown_on_request(folder, capsys, monkeypatch):
    monkeypatch.delitem(sys.modules, "ipykernel", raising=False)
    monkeypatch.setattr(progress, "QUIET_S", 0.0)
    with joblib.parallel_config(backend="threading"):
        open_job(folder).measure(progress=False)
        assert capsys.readouterr().err == ""
        open_job(folder).measure()
    assert "measuring: 4 of 4 captures, done in" in capsys.readouterr().err
