"""A split warm-up through the real measure: the gap stays a gap, and no jump is invented."""

import struct

import joblib
import numpy as np
import pytest
from tones import moving_tone

from sigkit.commands.evidence import table_lines
from sigkit.evidence.job.folder import Take, open_job
from sigkit.evidence.job.names import CaptureName
from sigkit.evidence.rows import table
from sigkit.evidence.rows.cell import Cell
from sigkit.evidence.run.takes import keywords
from sigkit.judging.limits import Limit
from sigkit.measures import TESTS
from sigkit.measures.warmup import measure_warmup
from sigkit.quantity import Term, combine, not_measurable

RATE, SECONDS, AFTER_S, CUT_S, GAP_S, FADE_S = 16000, 120.0, 80.0, 47.3137, 1.7, 0.6
FIRST_HZ, TAU_S, DRIFT = 220.0, 25.0, {"before": 14.0, "after": 6.0}


def path_cents(stage, t):
    return DRIFT[stage] * -np.expm1(-t / TAU_S)


def stamped(codes, stamp):
    """A WAV file with a Broadcast Audio Extension chunk by the table of EBU Tech 3285 v2."""
    body = bytes(256 + 32 + 32) + b"2026-03-0210:15:00"
    body += struct.pack("<IIH", stamp & 0xFFFFFFFF, stamp >> 32, 1) + bytes(254)
    data = codes.astype("<i2").tobytes()
    fmt = struct.pack("<HHIIHH", 1, 1, RATE, 2 * RATE, 2, 16)
    chunks = b"".join(
        name + struct.pack("<I", len(held)) + held
        for name, held in ((b"bext", body), (b"fmt ", fmt), (b"data", data))
    )
    return b"RIFF" + struct.pack("<I", 4 + len(chunks)) + b"WAVE" + chunks


@pytest.fixture(scope="module", params=["stamps", "nothing"])
def evidence(request, tmp_path_factory):
    folder = tmp_path_factory.mktemp("job")
    random = np.random.default_rng(21)
    t = np.arange(round(SECONDS * RATE)) / RATE
    for stage in DRIFT:
        (folder / stage).mkdir()
        path_hz = FIRST_HZ * 2 ** (path_cents(stage, t) / 1200)
        sound = moving_tone("saw", path_hz, RATE) + 2e-4 * random.standard_normal(t.size)
        codes = np.rint(32767 * sound)
        if stage == "after":
            codes = codes[: round(AFTER_S * RATE)]
            (folder / stage / "warmup-osc.wav").write_bytes(stamped(codes, 0))
            continue
        cut, again = round(CUT_S * RATE), round((CUT_S + GAP_S) * RATE)
        second = codes[again:].copy()
        fade = round(FADE_S * RATE)
        second[:fade] = np.rint(second[:fade] * np.linspace(0, 1, fade) ** 2)
        begun = 37000 * RATE + 123
        stamps = (begun, begun + again) if request.param == "stamps" else (0, 0)
        for number, part in enumerate((codes[:cut], second), start=1):
            data = stamped(part, stamps[number - 1])
            (folder / stage / f"warmup-osc-p{number}.wav").write_bytes(data)
    (folder / "readings.csv").write_text(
        "stage;minutes;room_c;rail_plus_v\nbefore;0;20,5;14,60\nbefore;2;21,0;14,60\n"
        "after;0;21,5;15,00\nafter;2;22,0;15,00\n"
    )
    (folder / "job.toml").write_text(
        '[captures."before/warmup-osc"]\npower_on_s = 0\n'
        '[captures."after/warmup-osc"]\npower_on_s = 0\n'
    )
    with joblib.parallel_config(backend="threading"):
        return request.param, open_job(folder).measure(progress=False)


def test_the_drift_is_that_of_the_whole_and_no_jump_is_invented(evidence):
    _, found = evidence
    result = next(o.result for o in found.outcomes if o.take.more)
    truth = path_cents("before", SECONDS)
    assert result.total_drift.value == pytest.approx(
        truth, abs=max(result.total_drift.expanded, 0.01)
    )
    assert len(result.jumps) == 0


def test_the_gap_is_a_gap_on_the_right_time_axis(evidence):
    how, found = evidence
    result = next(o.result for o in found.outcomes if o.take.more)
    curve = result.curve
    known = curve.cents.notna()
    gap_s = GAP_S if how == "stamps" else 0.0
    assert result.source.duration_s == pytest.approx(SECONDS - GAP_S + gap_s, abs=2 / RATE)
    assert not known[curve.time_s.between(CUT_S, CUT_S + gap_s)].any()
    assert known[curve.time_s.between(2.0, CUT_S - 1.0)].all()
    assert known[curve.time_s.between(CUT_S + gap_s + 2.0, curve.time_s.max() - 2.0)].all()
    lost_s = np.where(curve.time_s > CUT_S, GAP_S - gap_s, 0.0)
    true = path_cents("before", curve.time_s + lost_s) - path_cents("before", SECONDS)
    away = (curve.cents - true)[known & curve.time_s.between(1.0, curve.time_s.max() - 1.0)]
    assert np.abs(away).max() < 0.1


def test_it_is_one_capture_in_the_tables_and_its_rails_are_remarked_on(evidence):
    how, found = evidence
    told = {
        "stamps": "before: recorded in 2 parts, gap of 1.7 s (27200 frames) by time stamps",
        "nothing": "before: recorded in 2 parts, follows without a gap as far as can be told: the "
        "recorder gave no time stamps of its own to each part",
    }
    row = next(r for r in found.rows if r.judged.quantity == "total_drift")
    assert row.verdict == "improved"
    assert row.cells["before"].takes == 1
    assert told[how] in row.remarks
    rails = [remark for remark in row.remarks if "rails" in remark]
    assert rails == [
        "rails retrimmed between: plus +14.60 to +15.00 V; includes the effect of the new rail "
        "setting; 1 mV on a pitch voltage of 1 V/octave is 1.2 cents"
    ]


def test_the_longer_one_is_cut_for_the_comparison_and_keeps_its_own_values(evidence):
    how, found = evidence
    row = next(r for r in found.rows if r.judged.quantity == "total_drift")
    assert "cut to 80 s for the comparison" in row.remarks
    lost_s = 0.0 if how == "stamps" else GAP_S
    truth = {
        "before": path_cents("before", AFTER_S + lost_s),
        "after": path_cents("after", AFTER_S),
    }
    for stage, cents in truth.items():
        quantity = row.cells[stage].quantity
        assert quantity.value == pytest.approx(cents, abs=max(quantity.expanded, 0.01))
    change = truth["after"] - truth["before"]
    assert row.change.value == pytest.approx(change, abs=max(row.change.expanded, 0.01))
    own = next(o.result for o in found.outcomes if o.take.more)
    assert row.cells["before"].whole == own.total_drift
    assert row.cells["after"].whole is None
    stages = row.to_dict()["stages"]
    assert stages["before"]["whole"]["value"] == own.total_drift.value
    assert row.limit_verdict.word == "within limits"
    assert own.readings.to_numpy().tolist() == [[0.0, 20.5], [120.0, 21.0]]


def test_both_ends_of_a_power_on_time_reach_the_measure(tmp_path):
    take = Take("before", CaptureName("warmup", "osc"), tmp_path, power_on_s=(-900.0, -300.0))
    ends = {"power_on_s": -900.0, "power_on_latest_s": -300.0}
    assert keywords(take, measure_warmup) == ends
    known = Take("before", CaptureName("warmup", "osc"), tmp_path, power_on_s=(5.0, 5.0))
    assert keywords(known, measure_warmup) == {"power_on_s": 5.0}


def test_warm_ups_without_switch_on_are_neither_compared_nor_judged(tmp_path):
    t = np.arange(40 * RATE) / RATE
    for stage, seed in (("before", 1), ("after", 2)):
        (tmp_path / stage).mkdir()
        sound = moving_tone("saw", FIRST_HZ * 2 ** (path_cents(stage, t) / 1200), RATE)
        sound += 2e-4 * np.random.default_rng(seed).standard_normal(t.size)
        codes = np.rint(32767 * sound)
        (tmp_path / stage / "warmup-osc.wav").write_bytes(stamped(codes, 0))
    with joblib.parallel_config(backend="threading"):
        found = open_job(tmp_path).measure(progress=False)
    for row in found.rows:
        if row.judged.quantity in ("total_drift", "settling_time"):
            if row.judged.quantity == "total_drift":
                assert "switch-on is not in the recording" in row.verdict
            has_value = row.last.quantity.measurable
            assert row.limit_verdict.word == ("" if has_value else "not measurable")
            assert not row.change.measurable
    terminal = " ".join(" ".join(table_lines(found)).split())
    assert "limit not held against (±15 cents): switch-on is not in the recording" in terminal


def test_a_settling_time_without_a_value_counts_as_not_measurable(monkeypatch):
    """Whatever is unknown of its start: a quantity with a limit and no value is a gap."""
    monkeypatch.setattr(table, "unknown_start", lambda _: "switch-on is not in the recording")
    judged = next(j for j in TESTS["warmup"].judged if j.quantity == "settling_time")
    limit = Limit(900.0, "s", "set for this job")
    lost, known = not_measurable("s", "not settled"), combine(30.0, "s", [Term("noise", 1.0, "A")])
    for quantity, bound, word in (
        (lost, None, "not measurable"),
        (lost, known, ""),
        (known, None, ""),
    ):
        cell = Cell(quantity, takes=1, at_most=bound)
        assert table._held("warmup", judged, limit, cell, [])[0].word == word


def test_a_drift_that_began_unheard_is_neither_compared_nor_judged(tmp_path):
    """The same instrument, recorded from 10 s and from 60 s after switch-on."""
    t = np.arange(160 * RATE) / RATE
    path_hz = FIRST_HZ * 2 ** (path_cents("before", t) / 1200)
    sound = moving_tone("saw", path_hz, RATE) + 2e-4 * np.random.default_rng(4).standard_normal(
        t.size
    )
    settings = ""
    for stage, late_s in (("before", 10), ("after", 60)):
        (tmp_path / stage).mkdir()
        codes = np.rint(32767 * sound[late_s * RATE : (late_s + 100) * RATE])
        (tmp_path / stage / "warmup-osc.wav").write_bytes(stamped(codes, 0))
        settings += f'[captures."{stage}/warmup-osc"]\npower_on_s = -{late_s}\n'
    (tmp_path / "job.toml").write_text(settings)
    with joblib.parallel_config(backend="threading"):
        found = open_job(tmp_path).measure(progress=False)
    row = next(r for r in found.rows if r.judged.quantity == "total_drift")
    assert row.verdict == "not comparable: after first heard 60 s after switch-on"
    assert row.limit_verdict.word == ""
    assert not row.change.measurable
