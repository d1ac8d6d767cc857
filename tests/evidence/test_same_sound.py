"""A recording under two names in a job, with another header or at another gain."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile as sf

import sigkit


@pytest.mark.parametrize(
    ("gain", "words"), [(1.0, "the same samples"), (0.5, "the same sound at -6.0 dB")]
)
def test_a_copy_in_another_stage_is_a_problem_of_the_job(tmp_path, gain, words):
    rng = np.random.default_rng(3)
    tone = 0.3 * np.sin(2 * np.pi * 220 * np.arange(6 * 16000) / 16000)
    codes = np.round((tone + 1e-3 * rng.standard_normal(tone.size)) * 2**15).astype(np.int16)
    x = codes / 2**15
    for stage, sound, subtype in (("1_before", codes, "PCM_16"), ("2_after", gain * x, "FLOAT")):
        (tmp_path / stage).mkdir()
        sf.write(tmp_path / stage / "stability-osc.wav", sound, 16000, subtype=subtype)
    evidence = sigkit.open_job(tmp_path).measure(progress=False)
    (problem,) = (p for p in evidence.problems if "same" in p.problem)
    assert problem.problem == f"It holds {words} as 1_before/stability-osc.wav."
    assert problem.where == "2_after/stability-osc.wav"
    assert not problem.lost
