"""Mismatches planted in made-up captures of two stages, from WAV files to the table.

One job, a subject for each kind of mismatch, and as many subjects where nothing is wrong: every
mismatch is named and prints no difference where it forbids one, and nothing is invented. Prints
the score. The gate's limits are common practice, no source.
"""

from collections import Counter
from dataclasses import dataclass, field

import joblib
import numpy as np
import pytest
import soundfile as sf
from noises import hum, mains_path, white
from tones import moving_tone

from sigkit.evidence.job.folder import open_job

RATE = 8_000
STAGES = ("before", "after")
POWER_ON_S = -2400


@dataclass
class Plan:
    """What is written for one subject in one stage."""

    name: str = "stability-{}"
    hz: float = 220.0
    seconds: float = 2.5
    rate: int = RATE
    channel: int | None = None
    clip: bool = False
    same_as_before: bool = False
    power_on_s: float | None = POWER_ON_S
    room_c: float | None = 21.0
    rail_v: float | None = 15.0
    options: str = ""
    settles_s: float = 0.0
    wave: str = "saw"


@dataclass
class Case:
    """A subject, what is planted before and after, and what has to be said of it."""

    subject: str
    before: Plan = field(default_factory=Plan)
    after: Plan = field(default_factory=Plan)
    forbidden: str = ""
    remark: str = ""
    quantity: str = "offset"


WARM = {"name": "warmup-{}", "seconds": 30.0, "power_on_s": -2.0, "settles_s": 5.0}
WAVE = {"name": "waveform-{}", "seconds": 1.5, "rate": 48_000, "hz": 330.0}
CASES = [
    Case("test", after=Plan("beating-{}"), forbidden="no capture in after"),
    Case("subject_1", after=Plan("stability-subject_2"), forbidden="no capture in after"),
    Case("setting", Plan("stability-{}-low"), Plan("stability-{}-high"), "no capture in after"),
    Case("note", after=Plan(hz=247.0), forbidden="another note, 220.0 Hz against 247.0 Hz"),
    Case("room", after=Plan(room_c=25.0), forbidden="room 21 °C against 25 °C"),
    Case("since", after=Plan(power_on_s=-300), forbidden="begun 40 min against 5 min after"),
    Case("since_unknown", after=Plan(power_on_s=None), remark="since switch-on not given for both"),
    Case("rails", after=Plan(rail_v=14.6), remark="rails retrimmed between: plus +15.0 to +14.6 V"),
    Case("options", after=Plan(options="mains_hz = 60"), forbidden="measured with other options"),
    Case("channel", after=Plan(channel=1), remark="channel 0 against channel 1"),
    Case("same", after=Plan(same_as_before=True), remark="the same recording lies in both stages"),
    Case(
        *("length", Plan(**WARM), Plan(**WARM | {"seconds": 20.0})),
        remark="cut to 22 s for the comparison",
        quantity="total_drift",
    ),
    Case(
        *("extent", Plan(), Plan(seconds=3.5), "recorded for 2 s and 4 s: record equally long"),
        quantity="spread",
    ),
    Case(
        *("start", Plan(**WARM), Plan(**WARM | {"power_on_s": None})),
        forbidden="switch-on is not in the recording and power_on_s is not given",
        quantity="total_drift",
    ),
    Case(
        *("band", Plan(**WAVE), Plan(**WAVE | {"rate": 16_000})),
        forbidden="band up to 20 kHz against",
        quantity="thd",
    ),
    Case(
        *("unfit", Plan(**WAVE), Plan(**WAVE | {"clip": True})),
        forbidden="after: Record again: clipped",
        quantity="thd",
    ),
]
SOUND = [Case(f"good_{i}") for i in range(2)]
SOUND += [
    Case("good_note", after=Plan(hz=220.0 * 2 ** (0.9 / 12))),
    Case("good_room", after=Plan(room_c=23.5)),
    Case("good_since", after=Plan(power_on_s=POWER_ON_S - 240)),
    Case("good_rails", after=Plan(rail_v=15.0)),
    Case("good_warmup", Plan(**WARM), Plan(**WARM | {"seconds": 29.7}), quantity="total_drift"),
    Case("good_wave", Plan(**WAVE), Plan(**WAVE | {"rate": 44_100}), quantity="thd"),
]


def sound_of(plan, rng):
    t = np.arange(round(plan.seconds * plan.rate)) / plan.rate
    path = plan.hz * np.ones(t.size)
    if plan.settles_s:
        path *= 2 ** (-20 * np.exp(-t / plan.settles_s) / 1200)
    x = moving_tone(plan.wave, path, plan.rate) + 2e-4 * rng.standard_normal(t.size)
    if plan.clip:
        x = np.clip(6 * x, -0.9999, 0.9999)
    if plan.channel is not None:
        return np.column_stack([1e-4 * rng.standard_normal(t.size), x])
    return x


def write(folder, cases, *, gains, dates=("2026-03-02", "2026-03-23"), noise=None):
    rng, lines, readings = np.random.default_rng(4), [], ["stage,test,subject,room_c,rail_plus_v"]
    for stage, gain, date in zip(STAGES, gains, dates, strict=True):
        (folder / stage).mkdir(parents=True)
        lines.append(f"[stages.{stage}]\ndate = {date}")
        lines += [f"gain_db = {gain}"] if gain is not None else []
    last = {}
    for case in cases:
        for stage, plan in zip(STAGES, (case.before, case.after), strict=True):
            name = plan.name.format(case.subject)
            x = last[case.subject] if plan.same_as_before else sound_of(plan, rng)
            last[case.subject] = x
            sf.write(folder / stage / f"{name}.wav", x, plan.rate, subtype="PCM_24")
            own = [plan.options] if plan.options else []
            own += [f"power_on_s = {plan.power_on_s}"] if plan.power_on_s is not None else []
            own += [f"channel = {plan.channel}"] if plan.channel is not None else []
            lines += [f'[captures."{stage}/{name}"]', *own]
            test, subject = name.split("-")[:2]
            room, rail = ("" if v is None else v for v in (plan.room_c, plan.rail_v))
            if room or rail:
                readings.append(f"{stage},{test},{subject},{room},{rail}")
    for number, stage in enumerate(STAGES if noise is not None else ()):
        name = folder / stage / "noise-output.wav"
        sf.write(name, np.roll(noise, 7 * number), RATE, subtype="PCM_24")
    (folder / "job.toml").write_text("\n".join(lines) + "\n")
    (folder / "readings.csv").write_text("\n".join(readings) + "\n")
    with joblib.parallel_config(backend="threading", n_jobs=2):
        return open_job(folder).measure(progress=False)


@pytest.fixture(scope="module")
def evidence(tmp_path_factory):
    return write(tmp_path_factory.mktemp("gate") / "job", [*CASES, *SOUND], gains=(24, 24))


def row_of(evidence, case):
    rows = [r for r in evidence.rows if r.subject == case.subject]
    return next(r for r in rows if r.judged.quantity == case.quantity and r.cells["before"].tested)


def gate_of(row):
    """Return what the gate said: not what is said of repeats, or of how two waves differ."""
    others = ("single take", "difference of the two waves", "not held against its limit")
    return [remark for remark in row.remarks if not remark.startswith(others)]


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.subject)
def test_a_planted_mismatch_is_named(evidence, case):
    row = row_of(evidence, case)
    if case.forbidden:
        assert case.forbidden in row.verdict
        assert row.verdict.startswith(("not comparable: ", "not measurable: "))
        assert not row.change.measurable
        flat = evidence.table[
            (evidence.table.subject == case.subject) & (evidence.table.quantity == case.quantity)
        ]
        assert flat["change"].isna().all()
        assert flat["u_change"].isna().all()
        assert row.to_dict()["change"]["value"] is None
        # Both values stand apart, where there are both.
        assert row.cells["before"].quantity.measurable
    else:
        assert row.change.measurable
        assert not case.remark or any(case.remark in remark for remark in row.remarks)


@pytest.mark.parametrize("case", SOUND, ids=lambda case: case.subject)
def test_nothing_is_invented_on_what_matches(evidence, case):
    row = row_of(evidence, case)
    assert not row.verdict.startswith("not ")
    assert row.change.measurable
    assert gate_of(row) == []


def test_score(evidence):
    """Print how many of the planted mismatches are named, and how many are invented."""
    planted = [case for case in CASES if case.forbidden or case.remark]
    named = Counter(
        case.forbidden in row_of(evidence, case).verdict
        and any(case.remark in text for text in (*row_of(evidence, case).remarks, ""))
        for case in planted
    )
    matching = [case for case in [*SOUND, *CASES] if not (case.forbidden or case.remark)]
    invented = [case.subject for case in matching if gate_of(row_of(evidence, case))]
    other = [
        (case.subject, gate_of(row_of(evidence, case)))
        for case in planted
        if len(gate_of(row_of(evidence, case))) > bool(case.remark)
    ]
    print(
        f"\ngate: {named[True]} of {len(planted)} kinds of mismatch named, "
        f"{invented or 'none'} invented on {len(matching)} matching pairs"
    )
    assert named == {True: len(planted)}
    assert invented == []
    assert other == []


@pytest.mark.parametrize(
    ("gains", "why", "known"),
    [
        ((24, 30), "input gain 24 dB against 30 dB", True),
        ((24, None), "input gain not given for both", False),
    ],
)
def test_what_holds_for_a_whole_stage(tmp_path, gains, why, known):
    """Noise in dBFS needs the gain; what is relative to the tone, and all pitches, do not.

    Without readings neither room nor rails are known of any capture.
    """
    rng, plan = np.random.default_rng(1), Plan() if known else Plan(room_c=None, rail_v=None)
    evidence = write(
        tmp_path / "job",
        [Case("dated", plan, plan)],
        gains=gains,
        dates=("2026-03-23", "2026-03-02"),
        noise=white(5 * RATE, -115, RATE, rng)
        + hum(mains_path(5 * RATE, RATE, 50.02, rng), RATE, {1: -70, 2: -75}, rng),
    )
    ripple = next(r for r in evidence.rows if r.judged.quantity == "ripple")
    assert ripple.verdict.startswith(f"not comparable: {why}")
    assert not ripple.change.measurable
    unknown = ["room temperature not given for both stages", "rails not logged for both stages"]
    assert gate_of(row_of(evidence, Case("dated"))) == [
        *([] if known else unknown),
        "after is dated before before",
    ]
