"""Short excerpts of before and after, chosen by rule, with one gain for both."""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import soundfile as sf
from numpy.typing import NDArray

from sigkit.captures.parts import join_parts
from sigkit.evidence.gate import other_gain
from sigkit.evidence.report.pictures import picture_name
from sigkit.evidence.report.wording import group_title, weight
from sigkit.evidence.rows.table import Group
from sigkit.evidence.run.one_take import file_of

if TYPE_CHECKING:
    from sigkit.evidence.evidence import Evidence
    from sigkit.evidence.job.folder import Stage
    from sigkit.evidence.run.takes import Outcome

HEARD = ("slider", "envelope", "glide", "keyboard")
"""Bench tests that are worth hearing; noise would only be turned up too loud."""
SHORTEST_S, LONGEST_S = 5.0, 12.0
AROUND_S = 0.5
CLEAR_S = 0.05
"""How far an excerpt ends from any event: none is cut in two."""
MOST_PLACES = 400
"""Times that are tried for an end of an excerpt, the nearest first."""
TINY_S = 1e-9
FADE_S = 0.010
SPEECH = "speech,"
"""How the remark on a capture begins in which speech was found."""
PEAK_DBFS = -3.0
MOST_GAIN_DB = 20.0
MOST_PAIRS = 5
BITS = 16


@dataclass(frozen=True)
class Excerpt:
    """Where an excerpt lies.

    Parameters
    ----------
    outcome : Outcome
        The capture.
    start_s, stop_s : float
        Its place in the capture.
    why : str
        By which rule it was chosen.
    """

    outcome: Outcome
    start_s: float
    stop_s: float
    why: str


def sounds_of(evidence: Evidence) -> dict[str, bytes]:
    """Return excerpts of the first and the last stage by file name, and what they are.

    Parameters
    ----------
    evidence : Evidence
        A job's evidence.

    Returns
    -------
    dict of str to bytes
        16-bit WAV without metadata in pairs, and ``sounds.txt``: which capture, from when to when,
        by which rule, with which gain. Nothing where no test worth hearing was measured in two
        stages.
    """
    files: dict[str, bytes] = {}
    told = []
    for group in _groups(evidence)[:MOST_PAIRS]:
        ends = _ends(evidence, group)
        first, last = (_stage(evidence, found[0].take.stage) for found in ends)
        if first.gain_db is not None and last.gain_db is not None and other_gain(first, last):
            told.append(f"{group_title(group)}: none, as the recorder's gain differs.")
            continue
        pair = [_worst(found) for found in ends]
        if spoken := [excerpt.outcome.take.key for excerpt in pair if _has_speech(excerpt.outcome)]:
            told.append(
                f"{group_title(group)}: none, as {' and '.join(spoken)} may hold speech: listen "
                "first, and cut one by hand."
            )
            continue
        if why := "; ".join(filter(None, (_not_as_measured(excerpt.outcome) for excerpt in pair))):
            told.append(f"{group_title(group)}: none, as {why}.")
            continue
        sounds = [_sound(excerpt) for excerpt in pair]
        gain_db = _common_gain_db([sound for sound, _ in sounds])
        for excerpt, (sound, rate) in zip(pair, sounds, strict=True):
            name = f"{picture_name(group)}_{excerpt.outcome.take.stage}.wav"
            files[name] = _wav(sound * 10 ** (gain_db / 20), rate)
            told.append(
                f"{name}: {excerpt.outcome.take.key}, {excerpt.start_s:.1f} to "
                f"{excerpt.stop_s:.1f} s, {excerpt.why}, {gain_db:+.0f} dB as in both of its pair."
            )
        if first.gain_db is None or last.gain_db is None:
            told.append(
                "The recorder's gain of this pair is not written down: do not compare how loud "
                "they are."
            )
    if not told:
        return {}
    head = (
        "Excerpts of the captures, before and after with one common gain, faded in and out over "
        "10 ms, else unchanged. Turn the volume down before playing: clicks may be loud.\n"
    )
    return {**files, "sounds.txt": "\n".join([head, *told, ""]).encode()}


def _groups(evidence: Evidence) -> list[Group]:
    """Return what is worth hearing in two stages: two sliders by events, one subject a test."""
    groups = [g for g in dict.fromkeys(row.group for row in evidence.rows) if g[0] in HEARD]
    heard = [group for group in groups if len(_ends(evidence, group)) == 2]

    def rank(group: Group) -> tuple[int, float]:
        if group[0] != HEARD[0]:
            told = max(weight(row) for row in evidence.rows if row.group == group)
            return HEARD.index(group[0]), -told
        return 0, -max(_rate(outcome) for outcome in _ends(evidence, group)[0])

    heard.sort(key=rank)
    sliders = [group for group in heard if group[0] == HEARD[0]]
    others = {group[0]: group for group in reversed(heard) if group[0] != HEARD[0]}
    return [*sliders[:2], *(others[test] for test in HEARD[1:] if test in others)]


def _ends(evidence: Evidence, group: Group) -> list[list[Outcome]]:
    """Return the used captures of the first and the last stage that have some."""
    by_stage: dict[str, list[Outcome]] = {}
    for outcome in evidence.outcomes:
        name = outcome.take.name
        if outcome.used and (name.test, name.subject, name.setting) == group:
            by_stage.setdefault(outcome.take.stage, []).append(outcome)
    found = list(by_stage.values())
    return [found[0], found[-1]] if len(found) > 1 else found


def _stage(evidence: Evidence, name: str) -> Stage:
    return next(stage for stage in evidence.job.stages if stage.name == name)


def _not_as_measured(outcome: Outcome) -> str:
    """Return why a capture is no longer the one that was measured; else nothing."""
    for file, path in zip(outcome.files, outcome.take.paths, strict=True):
        if not path.is_file():
            return f"{file.key} is no longer there"
        if file_of(file.key, path).sha256 != file.sha256:
            return f"{file.key} was changed after it was measured"
    return ""


def _has_speech(outcome: Outcome) -> bool:
    return any(remark.startswith(SPEECH) for remark in outcome.remarks)


def _rate(outcome: Outcome) -> float:
    result = outcome.result
    assert result is not None
    rate = result.quantities().get("events_per_pass")
    return rate.value if rate is not None and rate.measurable else 0.0


def _worst(outcomes: Sequence[Outcome]) -> Excerpt:
    """Return the excerpt of a stage: of a slider its worst pass, else the beginning."""
    if outcomes[0].take.name.test == HEARD[0]:
        every = [found for outcome in outcomes for found in _passes(outcome)]
        if every:
            events, outcome, start_s, stop_s = max(every, key=lambda found: found[0])
            start_s, stop_s, free = _clear(outcome, start_s - AROUND_S, stop_s + AROUND_S)
            many = f"{events} {'event' if events == 1 else 'events'}"
            why = f"around the worst pass, {many}" if events else "a pass, as none has an event"
            why += "" if free else ", cut within an event, as they leave no pause"
            return Excerpt(outcome, start_s, stop_s, why)
    outcome = outcomes[0]
    stop_s = min(LONGEST_S, outcome.duration_s)
    return Excerpt(outcome, 0.0, stop_s, "the beginning of the first take")


def _passes(outcome: Outcome) -> list[tuple[int, Outcome, float, float]]:
    assert outcome.result is not None
    table = outcome.result.tables().get("passes")
    if table is None:
        return []
    return [
        (int(row["events"]), outcome, float(row["start_s"]), float(row["stop_s"]))
        for row in table.to_dict("records")
    ]


def _clear(outcome: Outcome, start_s: float, stop_s: float) -> tuple[float, float, bool]:
    """Return an excerpt's ends, 5 to 12 s apart, away from any event; and whether they are.

    Of all such places that which is nearest to the one asked for; where events leave no pause of
    0.1 s, one in a shorter pause.
    """
    assert outcome.result is not None
    table = outcome.result.tables().get("events")
    events = np.empty((0, 2)) if table is None else table[["start_s", "stop_s"]].to_numpy(float)
    longest_s = min(LONGEST_S, outcome.duration_s)
    shortest_s = min(SHORTEST_S, longest_s)
    length_s = min(max(stop_s - start_s, shortest_s), longest_s)
    start_s = min(max((start_s + stop_s - length_s) / 2, 0.0), outcome.duration_s - length_s)
    stop_s = start_s + length_s
    for clear_s in (CLEAR_S, CLEAR_S / 5, 0.0):
        begins = _free(start_s, events, clear_s, outcome.duration_s)
        ends = _free(stop_s, events, clear_s, outcome.duration_s)
        apart = ends[None, :] - begins[:, None]
        moved = np.abs(begins - start_s)[:, None] + np.abs(ends - stop_s)[None, :]
        moved[(apart < shortest_s - TINY_S) | (apart > longest_s + TINY_S)] = np.inf
        if moved.size and np.isfinite(moved.min()):
            i, j = np.unravel_index(int(moved.argmin()), moved.shape)
            return float(begins[i]), float(ends[j]), True
    return start_s, stop_s, False


def _free(
    asked_s: float, events: NDArray[np.float64], clear_s: float, duration_s: float
) -> NDArray[np.float64]:
    """Return times that lie clear of every event: the one asked for, and those beside events."""
    begins, ends = events[:, 0] - clear_s, events[:, 1] + clear_s
    times = np.concatenate([[asked_s, 0.0, duration_s], begins, ends])
    times = np.unique(times[(times >= 0) & (times <= duration_s)])
    nearest = times[np.argsort(np.abs(times - asked_s), kind="stable")][:MOST_PLACES]
    inside = (begins < nearest[:, None]) & (nearest[:, None] < ends)
    edge = (nearest == 0.0) | (nearest == duration_s)
    return np.asarray(nearest[edge | ~inside.any(axis=1)])


def _sound(excerpt: Excerpt) -> tuple[NDArray[np.float64], int]:
    take, result = excerpt.outcome.take, excerpt.outcome.result
    assert result is not None
    capture = join_parts(take.paths, result.source.channel, gap_s=take.gap_s)
    sound = np.array(capture.read(excerpt.start_s, excerpt.stop_s), dtype=float)
    fade = min(round(FADE_S * capture.rate), sound.size // 2)
    ramp = (np.arange(fade) + 0.5) / fade
    sound[:fade] *= ramp
    sound[sound.size - fade :] *= ramp[::-1]
    return sound, capture.rate


def _common_gain_db(sounds: Sequence[NDArray[np.float64]]) -> float:
    """Return one whole number of dB that brings the louder one to -3 dBFS at most."""
    peak = max(float(np.abs(sound).max(initial=0.0)) for sound in sounds)
    if peak == 0.0:
        return 0.0
    return float(min(math.floor(PEAK_DBFS - 20 * math.log10(peak)), MOST_GAIN_DB))


def _wav(sound: NDArray[np.float64], rate: int) -> bytes:
    """Return 16-bit WAV; rounded with dither of a fixed seed, so that it is the same each time."""
    step = 2.0 ** (1 - BITS)
    dither = np.random.default_rng(0).triangular(-1, 0, 1, sound.size)
    whole = np.clip(np.rint(sound / step + dither), -(2 ** (BITS - 1)), 2 ** (BITS - 1) - 1)
    file = io.BytesIO()
    sf.write(file, whole.astype(np.int16), rate, format="WAV", subtype="PCM_16")
    return file.getvalue()
