"""Noise in a job: levels compared at a known gain, or relative to the full tone."""

import re

import joblib
import numpy as np
import pytest
from noises import hum, mains_path, note, white, write

from sigkit.evidence.gate import other_gain
from sigkit.evidence.job.folder import Stage, open_job
from sigkit.evidence.listing.texts import answers_text

RATE = 16_000
RIPPLE = {"before": -50.0, "after": -80.0}


def idle(rng, ripple):
    path = mains_path(5 * RATE, RATE, 50.0, rng)
    return hum(path, RATE, {1: -70.0, 2: ripple}, rng) + white(path.size, -120.0, RATE, rng)


@pytest.fixture
def folder(tmp_path):
    """Two stages of idle noise, and the tone each by itself: 12 and 18 dB below full scale."""
    for number, (stage, ripple) in enumerate(RIPPLE.items()):
        (tmp_path / stage).mkdir()
        rng = np.random.default_rng(number)
        write(tmp_path / stage, idle(rng, ripple), RATE, name="noise-output.wav")
        full = note(220.0, 3.0, RATE, -12.0 - 6.0 * number)
        write(tmp_path / stage, full, RATE, name="stability-osc.wav")
    return tmp_path


def measured(folder, text):
    (folder / "job.toml").write_text(text)
    with joblib.parallel_config(backend="threading"):
        evidence = open_job(folder).measure(progress=False)
    table = evidence.table
    return evidence, table[table.test == "noise"].set_index("quantity")


def test_without_a_gain_levels_in_dbfs_are_not_compared(folder):
    evidence, noise = measured(folder, "mains_hz = 50\n")
    assert noise.loc["ripple", "verdict"].startswith("not comparable: input gain not given")
    assert noise.loc["ripple", ["before", "after"]].tolist() == pytest.approx([-50, -80], abs=0.1)
    assert "ripple_re_tone" not in noise.index
    assert noise.loc["mains_frequency", "before"] == pytest.approx(50, abs=0.01)
    hums = " ".join(answers_text(evidence).partition("Does it hum?")[2].split())
    hums = hums.replace("\N{MINUS SIGN}", "-")
    told = [float(level) for level in re.findall(r"multiples of mains (-[\d.]+)", hums)]
    assert told == pytest.approx([-70, -80], abs=0.1)  # odd, even, of the last stage


def test_at_one_gain_they_are(folder):
    text = "[stages.before]\ngain_db = 24\n[stages.after]\ngain_db = 24.0\n"
    _, noise = measured(folder, text)
    assert noise.loc["ripple", "verdict"] == "improved"
    assert noise.loc["ripple", "change"] == pytest.approx(-30, abs=0.1)
    assert noise.loc["hum_odd", "verdict"] == "no change shown"


def test_relative_to_a_reference_of_each_stage_the_gain_does_not_matter(folder):
    text = '[options.noise]\nreference = "stability-osc"\n'
    text += "[stages.before]\ngain_db = 24\n[stages.after]\ngain_db = 30\n"
    evidence, noise = measured(folder, text)
    ripple = noise.loc["ripple_re_tone"]
    assert ripple[["before", "after"]].tolist() == pytest.approx([-38, -62], abs=0.1)
    assert ripple.verdict == "improved"
    assert ripple.limit_verdict == "outside limits"  # -75 dB, worn to -60
    assert noise.loc["ripple", "verdict"] == "not comparable: input gain 24 dB against 30 dB"
    assert noise.loc["mains_line_re_tone", "verdict"] == "worse"
    # 50 dBFS of ripple at 12 dB below; the hum line stays while the tone fell by 6 dB
    assert noise.loc["mains_line_re_tone", "change"] == pytest.approx(6, abs=0.2)
    before = next(o for o in evidence.outcomes if o.take.key == "before/noise-output.wav")
    assert before.result.settings["reference"].startswith("stability-osc.wav")
    assert str(folder) not in str(before.result.to_dict())


def test_a_reference_that_is_not_in_the_stage_is_one_problem(folder):
    text = "[captures.'after/noise-output']\nreference = 'before/stability-osc'\n"
    evidence, noise = measured(folder, text)
    (problem,) = [e for e in evidence.problems if "noise" in e.where]
    assert "to be the reference" in problem.problem
    assert "full tone in the same stage" in problem.remedy
    assert problem.where == "after/noise-output.wav"
    assert np.isfinite(noise.loc["ripple", "before"])


def test_gains():
    one, two = Stage("a", gain_db=20.0), Stage("b", gain_db=20)
    assert other_gain(one, two) == ""
    assert "not given" in other_gain(one, Stage("b"))
    assert other_gain(one, Stage("b", gain_db=26.0)) == "input gain 20 dB against 26 dB"


def test_report_and_pictures_are_made(folder, tmp_path):
    evidence, _ = measured(folder, '[options.noise]\nreference = "stability-osc"\n')
    out = evidence.write(tmp_path / "evidence")
    assert (out / "charts" / "noise-output.png").stat().st_size > 5000
    assert (out / "charts" / "noise-output-beside.png").stat().st_size > 5000
    html = (out / "report.html").read_text(encoding="utf-8")
    assert "Noise, hum and ripple" in html
    assert "no proof" in html
