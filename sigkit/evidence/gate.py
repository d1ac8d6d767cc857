"""Whether two stages of a test may be compared, and what has to be said beside the comparison."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from sigkit.errors import SigkitError
from sigkit.evidence.job.folder import Stage
from sigkit.evidence.rows.slider_rows import other_control
from sigkit.evidence.run.takes import Outcome
from sigkit.judging.compare import SHARED
from sigkit.measures import TESTS, Result
from sigkit.measures.held_note import CLOCK

ROOM_STEP_C = 3.0
"""Largest difference of room temperature at which pitch is compared; common practice, no source."""
HEARD_S = 30.0
"""A warm-up whose tone is first heard later than this after switch-on lacks some of its drift."""
SINCE_STEP_S = 300.0
"""Largest difference of the time since switch-on, unless settled; common practice, no source."""
EXTENT_STEP = 0.2
"""Largest difference of length, as a share, at which extents of pitch are compared; guide value."""
EXTENTS = frozenset({"spread", "peak_to_peak", "wander"})
"""Extents of pitch over a whole capture: drift and wander grow with its length."""
LENGTH_STEP = 0.02
"""Warm-ups whose lengths differ by a larger share are cut to the shorter one."""

TONE_STEP_DB = 0.5
"""Full tones that differ by more let the gain look changed; common practice, no source."""
FAMILY_HZ = 11_025
"""Rates that are multiples of this are of one family, all others of another."""
BAND_STEP = 0.02
"""Bands whose upper ends differ by a larger share hold other sound."""

RETRIMMED = "rails retrimmed between"
RAIL_CENTS = "1 mV on a pitch voltage of 1 V/octave is 1.2 cents"
"""1200 cents a volt: an octave is 1200 cents by definition."""

Outcomes = Sequence[Outcome]
Subject = tuple[str, str]
"""Stage and subject."""


def comparable(
    test: str,
    first: Stage,
    last: Stage,
    before: Outcomes,
    after: Outcomes,
    settled_s: Mapping[Subject, float] | None = None,
) -> tuple[str, tuple[str, ...]]:
    """Say why two stages of a test cannot be compared, and what to remark where they can.

    Parameters
    ----------
    test : str
        Name of the bench test.
    first, last : Stage
        The stages.
    before, after : sequence of Outcome
        Their captures of one subject and setting that were used.
    settled_s : mapping of (str, str) to float, optional
        Settling time since switch-on by stage and subject, see `settling_times`.

    Returns
    -------
    str
        Why not; empty where they can be compared.
    tuple of str
        What a reader of the difference should know.
    """
    subject = next((o.take.name.subject for o in (*before, *after)), "")
    remarks: list[str] = []
    notes = [_frequency_hz(outcomes) for outcomes in (before, after)]
    if all(notes) and abs(12 * math.log2(notes[0] / notes[1])) > 1:
        return f"another note, {notes[0]:.1f} Hz against {notes[1]:.1f} Hz", ()
    if any(_own_options(a) != _own_options(b) for a in before for b in after):
        return "measured with other options", ()
    if test == "slider" and (why := other_control(before, after)):
        return why, ()
    pitch = is_pitch_test(test)
    if test == "warmup" and (why := unknown_start([*before, *after])):
        return why, ()
    if pitch:
        rooms = first.room_of(test, subject), last.room_of(test, subject)
        if rooms[0] is None or rooms[1] is None:
            remarks.append("room temperature not given for both stages")
        elif abs(rooms[0] - rooms[1]) > ROOM_STEP_C:
            return f"room {rooms[0]:.3g} °C against {rooms[1]:.3g} °C", ()
        why, remark = _since(test, first, last, before, after, settled_s or {})
        if why:
            return why, ()
        remarks += [remark] if remark else []
    if rails := _rails(first, last, test, subject, pitch=pitch):
        remarks.append(rails)
    channels = [_channels(outcomes) for outcomes in (before, after)]
    if channels[0] != channels[1]:
        remarks.append(f"channel {channels[0]} against channel {channels[1]}, counted from 0")
    if first.date and last.date and str(last.date)[:10] < str(first.date)[:10]:
        remarks.append(f"{last.name} is dated before {first.name}")
    if {f.sha256 for o in before for f in o.files} & {f.sha256 for o in after for f in o.files}:
        remarks.append("the same recording lies in both stages")
    return "", tuple(remarks)


def _own_options(outcome: Outcome) -> dict[str, Any]:
    """Return the options that change what is measured; each stage has a reference of its own."""
    return {key: value for key, value in outcome.take.options.items() if key != "reference"}


def _channels(outcomes: Outcomes) -> str:
    """Return the channels that captures were measured on, such as ``0`` or ``0, 1``."""
    channels = sorted({o.result.source.channel for o in outcomes if o.result is not None})
    return ", ".join(map(str, channels))


def other_band(quantity: str, before: Outcomes, after: Outcomes) -> str:
    """Say why what depends on the band cannot be compared; empty where it can.

    Distortion and noise are those of a band, whose upper end a lower sample rate cuts off.
    """
    tops = []
    for outcomes in (before, after):
        found = [o.result.band_of(quantity) for o in outcomes if o.result is not None]
        tops.append(min((top for top in found if math.isfinite(top)), default=math.inf))
    if not all(map(math.isfinite, tops)) or max(tops) <= min(tops) * (1 + BAND_STEP):
        return ""
    return (
        f"band up to {tops[0] / 1000:.3g} kHz against {tops[1] / 1000:.3g} kHz: record both at the "
        "same sample rate"
    )


def other_length(test: str, quantity: str, before: Outcomes, after: Outcomes) -> str:
    """Say why what grows with the length of a capture cannot be compared; empty where it can."""
    if test != "stability" or quantity not in EXTENTS:
        return ""
    lengths = [o.result.source.duration_s for o in (*before, *after) if o.result is not None]
    if max(lengths) <= min(lengths) * (1 + EXTENT_STEP):
        return ""
    return f"recorded for {min(lengths):.0f} s and {max(lengths):.0f} s: record equally long"


def tone_moved(before: Outcomes, after: Outcomes) -> tuple[str, ...]:
    """Return what to remark on levels in dBFS where the full tone of both stages differs too."""
    tones = []
    for outcomes in (before, after):
        found = [o.result.quantities().get("tone") for o in outcomes if o.result is not None]
        known = [float(tone) for tone in found if tone is not None and tone.measurable]
        tones.append(sum(known) / len(known) if known else math.nan)
    step = tones[1] - tones[0]
    if not abs(step) > TONE_STEP_DB:
        return ()
    return (f"the full tone reads {step:+.1f} dB: the gain or the volume may have been changed",)


def shared_sources(before: Outcomes, after: Outcomes) -> tuple[frozenset[str], str]:
    """Return the sources of uncertainty that act alike on two stages, with a remark if some do not.

    44.1 kHz and its multiples often come from another crystal of the sound card than 48 kHz and
    its own: common practice, no source. Then the clock of one says nothing of the other.
    """
    rates = [
        sorted({o.result.source.rate for o in outcomes if o.result is not None})
        for outcomes in (before, after)
    ]
    if len({rate % FAMILY_HZ == 0 for found in rates for rate in found}) < 2:
        return SHARED, ""
    one, two = (" and ".join(f"{rate / 1000:g}" for rate in found) for found in rates)
    return SHARED - {CLOCK}, (
        f"recorded at {one} against {two} kHz, which may go by two crystals of the sound card: its "
        "clock does not cancel"
    )


def other_gain(first: Stage, last: Stage) -> str:
    """Say why levels in dBFS of two stages cannot be compared; empty where they can."""
    gains = first.gain_db, last.gain_db
    if gains[0] is None or gains[1] is None:
        return (
            "input gain not given for both stages (gain_db); levels relative to the full tone do "
            "not need it"
        )
    return "" if gains[0] == gains[1] else f"input gain {gains[0]:g} dB against {gains[1]:g} dB"


def settling_times(outcomes: Outcomes) -> dict[Subject, float]:
    """Return the settling time since switch-on of every stage and subject that has one.

    The longest over the takes, at the upper end of its interval.
    """
    found: dict[Subject, float] = {}
    for outcome in outcomes:
        if outcome.take.name.test != "warmup" or outcome.result is None:
            continue
        settling = outcome.result.quantities()["settling_time"]
        key = outcome.take.stage, outcome.take.name.subject
        longest = settling.value + settling.expanded if settling.measurable else math.inf
        found[key] = max(longest, found.get(key, 0.0))
    return found


@dataclass(frozen=True)
class Cut:
    """The captures of a test by stage, made ready for a comparison.

    Parameters
    ----------
    by_stage : mapping of str to sequence of Outcome
        The captures, the longer warm-ups cut.
    at_s : float or None
        Seconds since switch-on at which they were cut; None where none was.
    why_not : str
        Why they would have to be cut and cannot; else empty.
    """

    by_stage: Mapping[str, Outcomes]
    at_s: float | None = None
    why_not: str = ""

    @property
    def remark(self) -> str:
        """What a reader of the comparison should know; empty where nothing was cut."""
        return "" if self.at_s is None else f"cut to {_length(self.at_s)} for the comparison"


def cut_to_shorter(test: str, by_stage: Mapping[str, Outcomes]) -> Cut:
    """Cut the warm-ups of a job's stages to the shortest of the first and the last stage.

    Parameters
    ----------
    test : str
        Name of the bench test.
    by_stage : mapping of str to sequence of Outcome
        Captures of one subject and setting by stage, in order.

    Returns
    -------
    Cut
        The captures unchanged where there is nothing to cut.
    """
    if test != "warmup":
        return Cut(by_stage)
    ends = {name: [_end_s(o.result) for o in found if o.result] for name, found in by_stage.items()}
    tested = [name for name, found in ends.items() if found]
    if len(tested) < 2:
        return Cut(by_stage)
    compared = [*ends[tested[0]], *ends[tested[-1]]]
    shortest, longest = min(compared), max(compared)
    if longest <= shortest * (1 + LENGTH_STEP):
        return Cut(by_stage)
    lengths = f"warm-ups of {_length(shortest)} and {_length(longest)}"
    try:
        cut = {name: [_cut(o, shortest) for o in found] for name, found in by_stage.items()}
    except SigkitError as error:
        return Cut(
            by_stage, why_not=f"{lengths}; the longer one, cut, has no answer: {error.problem}"
        )
    return Cut(cut, shortest)


def _length(seconds: float) -> str:
    return f"{seconds / 60:.0f} min" if seconds >= 120 else f"{seconds:.0f} s"


def _cut(outcome: Outcome, until_s: float) -> Outcome:
    result: Any = outcome.result
    if result is None or _end_s(result) <= until_s * (1 + LENGTH_STEP):
        return outcome
    return dataclasses.replace(outcome, result=result.until(until_s))


def _end_s(result: Result) -> float:
    """Return when the tone of a warm-up ends, in seconds since switch-on."""
    return float(_known(result)["time_s"].iloc[-1])


def _begin_s(outcomes: Outcomes) -> list[float]:
    """Return when the tone of each warm-up begins, in seconds since switch-on."""
    return [float(_known(o.result)["time_s"].iloc[0]) for o in outcomes if o.result is not None]


def _known(result: Result) -> pd.DataFrame:
    """Return the curve of a warm-up where it has a pitch."""
    return result.tables()["curve"].dropna(subset=["cents"])


def _since(
    test: str,
    first: Stage,
    last: Stage,
    before: Outcomes,
    after: Outcomes,
    settled_s: Mapping[Subject, float],
) -> tuple[str, str]:
    """Compare the times since switch-on: why the stages cannot be compared, or a remark."""
    if test == "warmup":
        times = [_begin_s(outcomes) for outcomes in (before, after)]
        settled, of = False, "first heard"
    else:
        times = [
            [-sum(o.take.power_on_s) / 2 for o in outcomes if o.take.power_on_s is not None]
            for outcomes in (before, after)
        ]
        if any(len(found) < len(o) for found, o in zip(times, (before, after), strict=True)):
            return "", "time since switch-on not given for both stages"
        settled = all(
            min(found) >= settled_s.get((stage.name, outcomes[0].take.name.subject), math.inf)
            for stage, outcomes, found in zip((first, last), (before, after), times, strict=True)
            if found
        )
        of = "begun"
    if not all(times) or settled:
        return "", ""
    one, two = (sum(found) / len(found) for found in times)
    if abs(one - two) <= SINCE_STEP_S:
        return "", ""
    not_settled = "" if test == "warmup" else ", not settled in both by a warm-up"
    return f"{of} {one / 60:.0f} min against {two / 60:.0f} min after switch-on{not_settled}", ""


def unknown_start(outcomes: Outcomes) -> str:
    """Say why times since switch-on are not known for warm-ups; empty where they are."""
    for outcome in outcomes:
        of = getattr(outcome.result, "switch_on", "given")
        if of == "start" and outcome.take.power_on_s is None:
            return "switch-on is not in the recording and power_on_s is not given"
    return ""


def too_short_for(outcomes: Outcomes, limit_s: float) -> str:
    """Say why warm-ups cannot show a settling time within a limit; empty where they can.

    What settled at once may leave its band again: a recording has to last as long as the limit.
    """
    end_s = min((_end_s(o.result) for o in outcomes if o.result is not None), default=math.inf)
    if end_s >= limit_s * (1 - LENGTH_STEP):
        return ""
    return (
        f"recorded until {_length(end_s)} after switch-on, which cannot show what holds for the "
        f"{_length(limit_s)} of the limit"
    )


def partial_drift(outcomes: Outcomes) -> str:
    """Say why a total drift is not that since switch-on; empty where it is."""
    late = [at_s for at_s in _begin_s(outcomes) if at_s > HEARD_S]
    return f"first heard {_length(max(late))} after switch-on" if late else ""


def _rails(first: Stage, last: Stage, test: str, subject: str, *, pitch: bool) -> str:
    """Return what to remark on the supply rails of two stages; of pitch also what is not known."""
    one, two = first.rails_of(test, subject), last.rails_of(test, subject)
    common = [name for name in one if name in two]
    moved = [
        f"{name} {one[name]} to {two[name]} V"
        for name in common
        if abs(one[name].volts - two[name].volts)
        > 1.001 * max(one[name].resolution_v, two[name].resolution_v)
    ]
    if moved:
        which = ", ".join(moved)
        scale = f"; {RAIL_CENTS}" if pitch else ""
        return f"{RETRIMMED}: {which}; includes the effect of the new rail setting{scale}"
    return "rails not logged for both stages" if pitch and not common else ""


def is_pitch_test(test: str) -> bool:
    """Whether a bench test measures pitch whatever it finds; jumps under a slider are no such."""
    every = [judged for judged in TESTS[test].judged if not judged.only_if_seen]
    return any(judged.unit.startswith("cents") for judged in every)


def _frequency_hz(outcomes: Outcomes) -> float:
    """Return the frequency of the first measured take, 0 where it has none."""
    for outcome in outcomes:
        if outcome.result is None:
            continue
        for name in ("frequency", "frequency_1"):
            quantity = outcome.result.quantities().get(name)
            if quantity is not None and quantity.measurable:
                return quantity.value
        curve = outcome.result.tables().get("curve")
        if curve is not None and "frequency_hz" in curve:
            hz = curve["frequency_hz"].dropna()
            return float(hz.iloc[-1]) if len(hz) else 0.0
        return 0.0
    return 0.0
