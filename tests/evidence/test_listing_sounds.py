"""Sound excerpts of the listing kit: one gain, no event cut, no speech."""

import io
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import soundfile as sf

import sigkit
from sigkit.evidence.listing import sounds
from sigkit.evidence.listing.kit import kit_of


def test_excerpts_share_one_gain_and_are_else_unchanged(evidence, kit):
    told = kit["sounds/sounds.txt"].decode()
    pairs = [name for name in kit if name.endswith(".wav")]
    assert len(pairs) >= 2
    gains = set()
    for stage in ("before", "after"):
        name = next(name for name in pairs if name.endswith(f"volume_{stage}.wav"))
        line = next(line for line in told.splitlines() if line.startswith(name.split("/")[1]))
        sound, rate = sf.read(io.BytesIO(kit[name]))
        source = next(o for o in evidence.outcomes if f": {o.take.key}," in line)
        original, same_rate = sf.read(source.take.path)
        assert rate == same_rate
        edge = round(0.01 * rate)
        inner = slice(edge, len(sound) - edge)
        cut = original[: len(sound)]
        gain = float(sound[inner] @ cut[inner] / (cut[inner] @ cut[inner]))
        gains.add(round(20 * np.log10(gain), 2))
        assert np.abs(sound[inner] - gain * cut[inner]).max() < 3 * 2**-15
        assert np.abs(sound[:3]).max() < 0.02
    (gain_db,) = gains
    assert f"{gain_db:+.0f} dB" in told


def outcome_with(starts, stops, duration_s=30.0):
    events = pd.DataFrame({"start_s": starts, "stop_s": stops})
    result = SimpleNamespace(tables=lambda: {"events": events})
    return SimpleNamespace(duration_s=duration_s, result=result)


@pytest.mark.parametrize("number", [12, 60, 300])
def test_no_excerpt_ends_within_an_event(number):
    """From a few events to five at any moment; 5 to 12 s are never left."""
    rng = np.random.default_rng(number)
    clear = 0
    for _ in range(60):
        starts = np.sort(rng.uniform(0, 30, number))
        stops = starts + rng.uniform(0.001, 0.12, number)
        begin = rng.uniform(0, 28)
        asked = rng.uniform(0.5, 20)
        start_s, stop_s, free = sounds._clear(outcome_with(starts, stops), begin, begin + asked)
        assert 0 <= start_s < stop_s <= 30
        assert 5 - 1e-6 <= stop_s - start_s <= 12 + 1e-6
        cut = [((starts < edge) & (edge < stops)).any() for edge in (start_s, stop_s)]
        inner = [0 < edge < 30 for edge in (start_s, stop_s)]
        assert free == (not any(c and i for c, i in zip(cut, inner, strict=True)))
        clear += free
    assert clear == 60


def test_where_events_leave_no_pause_that_is_said(evidence):
    start_s, stop_s, free = sounds._clear(outcome_with([0.0], [30.0]), 10.0, 17.0)
    assert (start_s, stop_s, free) == (10.0, 17.0, False)
    outcome = next(o for o in evidence.outcomes if o.used)
    row = {"events": 3, "start_s": 0.2, "stop_s": 1.8}
    tables = {"passes": pd.DataFrame([row]), "events": pd.DataFrame([row])}
    result = SimpleNamespace(tables=lambda: tables)
    longer = replace(outcome, result=result, duration_s=30.0)
    tables["events"] = pd.DataFrame({"start_s": [-1.0], "stop_s": [31.0]})
    assert sounds._worst([longer]).why.endswith("cut within an event, as they leave no pause")


def test_an_excerpt_is_as_short_as_a_short_capture():
    assert sounds._clear(outcome_with([1.0], [1.1], 3.0), 0.5, 2.5) == (0.0, 3.0, True)


def test_speech_is_never_exported(evidence):
    outcomes = [
        replace(o, remarks=(*o.remarks, "speech, at 1.0 s: about 2 s that sound like speech."))
        if o.take.key == "before/slider-volume-t2.wav"
        else o
        for o in evidence.outcomes
    ]
    kept = replace(evidence, outcomes=tuple(outcomes))
    before = [o for o in outcomes if o.take.key.startswith("before/slider-volume")]
    chosen = sounds._worst(before).outcome.take.key
    files = sounds.sounds_of(kept)
    spoken = chosen == "before/slider-volume-t2.wav"
    assert spoken != any("slider-volume_" in name for name in files)
    every = replace(
        evidence, outcomes=tuple(replace(o, remarks=("speech, at 1 s: x.",)) for o in outcomes)
    )
    files = sounds.sounds_of(every)
    assert list(files) == ["sounds.txt"]
    assert b"may hold speech: listen first" in files["sounds.txt"]


def test_a_gain_that_nobody_wrote_down_is_said(kit, evidence):
    assert "do not compare how loud" in kit["sounds/sounds.txt"].decode()
    stages = tuple(replace(stage, gain_db=20.0) for stage in evidence.job.stages)
    known = replace(evidence, job=replace(evidence.job, stages=stages))
    assert b"do not compare" not in sounds.sounds_of(known)["sounds.txt"]


def test_other_gain_no_excerpts(job_folder):
    (job_folder / "job.toml").write_text(
        "[stages.before]\ngain_db = 20\n[stages.after]\ngain_db = 30\n"
    )
    kit = kit_of(sigkit.open_job(job_folder).measure(progress=False), "x")
    assert not [name for name in kit if name.endswith(".wav")]
    assert b"the recorder's gain differs" in kit["sounds/sounds.txt"]
