"""Key sweeps in a job: the keyboard's size comes from job.toml; without it the row says so."""

import numpy as np
import pytest
import soundfile as sf
from keyboards import Instrument, render, steady_presses

from sigkit.evidence.job.folder import open_job

HOW = Instrument(rate=16_000)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Two stages of 13 keys from C4: 5 cents an octave too wide with a dead key, then neither."""
    folder = tmp_path_factory.mktemp("job")
    for stage, slope, dead in (("before", 5.0, 66), ("after", 0.2, -1)):
        own = slope * np.arange(13) / 12
        presses = [p for p in steady_presses(60, own, hold_s=0.35) if p.key != dead]
        (folder / stage).mkdir()
        sound = render(presses, HOW, presses[-1].off_s + 0.6, np.random.default_rng(2))
        sf.write(folder / stage / "keyboard-osc_1.wav", sound, HOW.rate, "PCM_24")
    return folder


def test_keys_and_lowest_key_of_the_job_are_used(folder):
    (folder / "job.toml").write_text('lowest_key = "C4"\nkeys = 13\n')
    evidence = open_job(folder).measure(progress=False)
    table = evidence.table.set_index("quantity")
    assert table.loc["scale_error", "before"] == pytest.approx(5.0, abs=0.05)
    assert table.loc["scale_error", "after"] == pytest.approx(0.2, abs=0.05)
    assert table.loc["scale_error", "verdict"] == "improved"
    assert table.loc["dead_keys", ["before", "after"]].tolist() == [1, 0]
    assert table.loc["dead_keys", "verdict"] == "improved"
    assert "hold_droop" not in table.index  # only where it is seen


def test_without_them_the_capture_is_a_problem_and_not_a_crash(folder):
    (folder / "job.toml").write_text("keys = 13\n")
    job = open_job(folder)
    evidence = job.measure(progress=False)
    reasons = [o.reason for o in evidence.outcomes]
    assert len(reasons) == 2
    for reason in reasons:
        assert "lowest_key is missing" in reason
        assert "job.toml" in reason
