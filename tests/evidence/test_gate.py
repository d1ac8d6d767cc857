"""What lets two stages be compared; the limits of 3 degrees and 5 minutes are common practice."""

import dataclasses
import math
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from sigkit.errors import SignalError
from sigkit.evidence.gate import (
    comparable,
    cut_to_shorter,
    settling_times,
    shared_sources,
    tone_moved,
    too_short_for,
)
from sigkit.evidence.job.folder import Stage, Take
from sigkit.evidence.job.names import CaptureName
from sigkit.evidence.logs.readings import Rail, Reading
from sigkit.evidence.run.takes import File, Outcome
from sigkit.judging.compare import judge_change
from sigkit.measures.held_note import CLOCK
from sigkit.measures.result import Result, Source
from sigkit.quantity import Quantity, Term, combine, not_measurable

RAILS = {"plus": 15.0}
SOURCE = Source(name="x.wav", rate=8000, channel=0, duration_s=1.0)


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Tone(Result):
    test = "stability"
    frequency: Quantity


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Warmup(Result):
    test = "warmup"
    settling_time: Quantity
    curve: pd.DataFrame

    def until(self, seconds):
        if seconds < 10:
            raise SignalError("Less than 10 s of tone are left.", remedy="Record longer.")
        kept = self.curve[self.curve.time_s <= seconds]
        return dataclasses.replace(self, curve=kept)


def outcome(stage, hz=220.0, *, power_on_s=None, sha="", **options):
    tone = Tone(source=SOURCE, settings={}, frequency=Quantity(hz, 0.01, "Hz"))
    name = CaptureName("stability", "osc")
    on = None if power_on_s is None else (power_on_s, power_on_s)
    take = Take(stage, name, None, options=options, power_on_s=on)
    return Outcome(take, tone, files=(File(f"{stage}/x.wav", sha or f"{stage}{hz}"),))


def warmup(stage, from_s, to_s, *, hz=220.0, settled_s=None):
    time_s = np.arange(from_s, to_s + 0.5)
    curve = pd.DataFrame({"time_s": time_s, "frequency_hz": hz, "cents": 0.0})
    curve = pd.concat([curve, pd.DataFrame({"time_s": [to_s + 9.0], "cents": [np.nan]})])
    settling = not_measurable("s", "not settled within this recording")
    if settled_s is not None:
        settling = Quantity(settled_s, 10.0, "s")
    result = Warmup(source=SOURCE, settings={}, settling_time=settling, curve=curve)
    return Outcome(Take(stage, CaptureName("warmup", "osc"), None), result)


def stages(first_c=20.0, last_c=20.0, **rails):
    return (
        Stage("before", room_c=first_c, rails_v=rails.get("first", RAILS)),
        Stage("after", room_c=last_c, rails_v=rails.get("last", RAILS)),
    )


def pair(**of_both):
    return [outcome("before", **of_both)], [outcome("after", **of_both)]


@pytest.mark.parametrize(("cents", "same"), [(90, True), (-90, True), (110, False), (-110, False)])
def test_notes_more_than_a_semitone_apart_are_not_compared(cents, same):
    """A semitone is 100 cents by definition (equal temperament)."""
    other_hz = 220.0 * 2 ** (cents / 1200)
    notes = [outcome("before", power_on_s=-9)], [outcome("after", other_hz, power_on_s=-9)]
    why, remarks = comparable("stability", *stages(), *notes)
    assert (why == "") == same
    assert remarks == ()
    notes = [warmup("before", 0, 100)], [warmup("after", 0, 100, hz=other_hz)]
    assert (comparable("warmup", *stages(), *notes)[0] == "") == same


@pytest.mark.parametrize(("last_c", "same"), [(23.0, True), (17.0, True), (23.1, False)])
def test_rooms_more_than_three_degrees_apart_are_not_compared(last_c, same):
    why, remarks = comparable("stability", *stages(20.0, last_c), *pair(power_on_s=0.0))
    assert remarks == ()
    assert why == ("" if same else "room 20 °C against 23.1 °C")


def test_readings_of_the_test_itself_go_before_the_stages_room():
    before, after = stages()
    read = [
        Reading(2, "after", values={"room_c": 20.0}),
        Reading(3, "after", "stability", "other", values={"room_c": 40.0}),
        Reading(4, "after", "stability", "osc", values={"room_c": 28.0}),
    ]
    after = dataclasses.replace(after, readings=tuple(read))
    why, _ = comparable("stability", before, after, *pair())
    assert why == "room 20 °C against 24 °C"
    assert comparable("slider", before, after, [], [])[0] == ""


def test_what_is_not_known_is_remarked_on_for_pitch_alone():
    bare = Stage("before"), Stage("after")
    assert comparable("stability", *bare, *pair()) == (
        "",
        (
            "room temperature not given for both stages",
            "time since switch-on not given for both stages",
            "rails not logged for both stages",
        ),
    )
    assert comparable("slider", *bare, [], []) == ("", ())


@pytest.mark.parametrize(
    ("last_s", "settled_s", "same"),
    [
        (-900.0, {}, True),
        (-1000.0, {}, False),
        (-4000.0, {"before": 500.0, "after": 3900.0}, True),
        (-4000.0, {"before": 700.0, "after": 3900.0}, False),
        (-4000.0, {"after": 3900.0}, False),
    ],
)
def test_times_since_switch_on(last_s, settled_s, same):
    """Begun 10 min after switch-on before; comparable within 5 min, or where both had settled."""
    captures = [outcome("before", power_on_s=-600.0)], [outcome("after", power_on_s=last_s)]
    settled = {(stage, "osc"): time_s for stage, time_s in settled_s.items()}
    why, remarks = comparable("stability", *stages(), *captures, settled)
    assert (why == "") == same
    assert remarks == ()
    if not same:
        minutes = f"{-last_s / 60:.0f}"
        assert why == (
            f"begun 10 min against {minutes} min after switch-on, not settled in both by a warm-up"
        )


def test_settling_times_come_from_the_warm_ups_of_the_same_stage_and_subject():
    captures = [
        warmup("before", 0, 3600, settled_s=900.0),
        warmup("before", 0, 3600, settled_s=1000.0),
        warmup("after", 0, 3600),
        outcome("before"),
    ]
    assert settling_times(captures) == {("before", "osc"): 1020.0, ("after", "osc"): np.inf}


def test_a_warm_up_heard_from_the_start_is_not_compared_with_one_heard_late():
    why, _ = comparable(
        "warmup", *stages(), [warmup("before", 720, 3600)], [warmup("after", 5, 3600)]
    )
    assert why == "first heard 12 min against 0 min after switch-on"


@pytest.mark.parametrize(
    ("first", "last", "words"),
    [
        ({"plus": 14.6}, {"plus": 15.0}, "plus +14.60 to +15.00 V"),
        ({"plus": 14.6, "minus": -14.7}, {"minus": -15.0, "plus": 15.0}, "V, minus -14.70 to -15"),
        ({"plus": 15.0}, {"plus": 15.04}, ""),
    ],
)
def test_rails_that_were_moved_are_named(first, last, words):
    why, remarks = comparable(
        "stability", *stages(first=first, last=last), *pair(power_on_s=-1800.0)
    )
    assert why == ""
    assert len(remarks) == (1 if words else 0)
    if words:
        assert remarks[0].startswith("rails retrimmed between: plus +14.60 to +15.00 V")
        assert words in remarks[0]
        # An octave is 1200 cents: a thousandth of a volt is 1.2 of them.
        assert remarks[0].endswith(
            "V; includes the effect of the new rail setting; "
            "1 mV on a pitch voltage of 1 V/octave is 1.2 cents"
        )


@pytest.mark.parametrize(
    ("limit_s", "why"), [(1195.0, ""), (2400.0, "until 20 min after switch-on"), (60.0, "")]
)
def test_a_warm_up_shorter_than_its_limit_cannot_show_that_it_keeps_it(limit_s, why):
    """What settled after a minute of three may leave its band again before twenty are over."""
    curve = pd.DataFrame({"time_s": np.arange(0.0, 1201.0, 60.0), "cents": 0.0})
    settled = Quantity(70.0, 1.0, "s")
    result = Warmup(source=SOURCE, settings={}, settling_time=settled, curve=curve)
    found = too_short_for([SimpleNamespace(result=result)], limit_s)
    assert why in found
    assert bool(found) == bool(why)


@pytest.mark.parametrize(("last_dbfs", "said"), [(-11.0, True), (-11.7, False), (None, False)])
def test_a_full_tone_that_moved_is_said_beside_levels(last_dbfs, said):
    def noise(dbfs):
        tone = not_measurable("dBFS", "none") if dbfs is None else Quantity(dbfs, 0.01, "dBFS")
        return [SimpleNamespace(result=SimpleNamespace(quantities=lambda: {"tone": tone}))]

    remarks = tone_moved(noise(-12.0), noise(last_dbfs))
    assert remarks == (
        ("the full tone reads +1.0 dB: the gain or the volume may have been changed",)
        if said
        else ()
    )


@pytest.mark.parametrize(
    ("volts", "resolution_v", "moved"),
    [(15.01, 0.01, False), (15.02, 0.01, True), (15.001, 0.001, False), (15.002, 0.001, True)],
)
def test_rails_from_readings_are_as_fine_as_they_were_written_down(volts, resolution_v, moved):
    def stage(name, value):
        rails = {"plus": Rail(value, resolution_v)}
        return Stage(name, room_c=20.0, readings=(Reading(2, name, rails=rails),))

    found = comparable("stability", stage("before", 15.0), stage("after", volts), *pair())
    assert any("retrimmed" in remark for remark in found[1]) == moved
    assert not any("rails not logged" in remark for remark in found[1])


def test_other_options_and_the_same_recording():
    other = [outcome("before", nominal_hz=220)], [outcome("after", nominal_hz=440)]
    assert comparable("stability", *stages(), *other) == ("measured with other options", ())
    same = pair(sha="0" * 64, power_on_s=0.0)
    assert comparable("stability", *stages(), *same) == (
        "",
        ("the same recording lies in both stages",),
    )


def test_power_on_times_in_the_capture_may_differ():
    captures = [outcome("before", power_on_s=1.0)], [outcome("after", power_on_s=90.0)]
    assert comparable("stability", *stages(), *captures) == ("", ())


@pytest.mark.parametrize(
    ("rates", "cancels"),
    [((48_000, 96_000), True), ((44_100, 22_050), True), ((44_100, 48_000), False)],
)
def test_rates_of_two_families_do_not_share_a_clock(rates, cancels):
    """GUM 5.2.2: what is common cancels. 50 ppm, rectangular, is u = 0.05 cents: times root 2."""
    stages = [
        [dataclasses.replace(o, result=dataclasses.replace(o.result, source=source))]
        for o, source in zip(
            (outcome("before"), outcome("after")),
            (dataclasses.replace(SOURCE, rate=rate) for rate in rates),
            strict=True,
        )
    ]
    shared, remark = shared_sources(*stages)
    assert (CLOCK in shared) == cancels == (not remark)
    first, last = (
        combine(v, "cents", [Term(CLOCK, 0.05, "B"), Term("noise", 0.003, "A")]) for v in (1.0, 0.9)
    )
    judged = judge_change(first, last, "nearer zero", shared)
    assert judged.verdict == ("improved" if cancels else "no change shown")
    assert judged.difference.u == pytest.approx(
        0.003 * 2**0.5 if cancels else math.hypot(0.05, 0.003) * 2**0.5
    )


# --- warm-ups of unequal length


def test_the_longer_warm_up_is_cut_to_the_shorter():
    by_stage = {
        "before": [warmup("before", 5, 3600)],
        "cleaned": [warmup("cleaned", 5, 600)],
        "after": [warmup("after", 5, 1860), warmup("after", 5, 1880)],
    }
    cut = cut_to_shorter("warmup", by_stage)
    assert (cut.at_s, cut.remark, cut.why_not) == (1860.0, "cut to 31 min for the comparison", "")
    assert cut.by_stage["before"][0].result.curve.time_s.max() == 1860
    assert cut.by_stage["cleaned"] == by_stage["cleaned"]
    assert cut.by_stage["after"] == by_stage["after"]
    assert by_stage["before"][0].result.curve.time_s.max() > 3600


@pytest.mark.parametrize(
    "by_stage",
    [
        {"before": [warmup("before", 5, 3600)], "after": [warmup("after", 5, 3550)]},
        {"before": [warmup("before", 5, 3600)], "after": []},
        {"before": [warmup("before", 5, 3600)]},
    ],
)
def test_equal_lengths_and_single_stages_are_not_cut(by_stage):
    cut = cut_to_shorter("warmup", by_stage)
    assert (cut.by_stage, cut.remark) == (by_stage, "")


def test_what_cannot_be_cut_is_not_compared():
    by_stage = {"before": [warmup("before", 0, 600)], "after": [warmup("after", 0, 8)]}
    cut = cut_to_shorter("warmup", by_stage)
    assert cut.by_stage == by_stage
    assert cut.why_not.startswith("warm-ups of 8 s and 10 min; the longer one, cut, has no answer")
