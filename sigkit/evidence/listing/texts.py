"""Texts of three lengths for a listing, and answers to what buyers ask, in their order."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

from sigkit.evidence.gate import RETRIMMED
from sigkit.evidence.listing.claims import (
    Claim,
    claims_of,
    condition_of,
    earlier_value,
    faults_beside,
    not_tested,
    only_earlier,
    plain,
)
from sigkit.evidence.report.front import is_bad
from sigkit.evidence.report.front_lists import none_bad, none_unchanged
from sigkit.evidence.report.wording import cell_text, group_title, upper_first
from sigkit.evidence.rows.table import SINGLE
from sigkit.judging.compare import UNCHANGED, WORSE
from sigkit.judging.limits import NOT_MEASURABLE, UNDECIDED
from sigkit.measures import TESTS
from sigkit.measures.result import words

if TYPE_CHECKING:
    from sigkit.evidence.evidence import Evidence
    from sigkit.evidence.rows.table import Row

SHORT, MIDDLE = 300, 1500
MOST_LINES = 10
TITLE, WHY = 120, 70
"""Most characters that what was typed may take of a text with a limit."""
WIDTH = 100
NOT_SHOWN = (
    "What these figures do not show: they are of one instrument on the given dates in one room, "
    "measured by me with my recorder. They show neither electrical safety nor how long the repair "
    "lasts, nor faults that did not occur while recording, nor feel, looks or sound quality."
)
ASKED = (
    ("How long after switching on until the pitch is stable?", "warmup", ("settling_time",)),
    ("Is any key dead or double?", "keyboard", ("dead_keys", "double_triggers", "stuck_keys")),
    ("Which sliders crackle?", "slider", ("events_per_pass", "event_rate")),
    ("Do the envelopes work?", "envelope", ("sag", "release_40", "retriggers")),
    ("Does the glide work?", "glide", ("glide_time", "glitches")),
    ("Does it hum?", "noise", ("mains_line_re_tone", "ripple_re_tone", "floor_re_tone")),
)
"""Question, bench test that answers it, and its quantities."""
NO_TONE = {"noise": ("hum_odd", "ripple", "floor")}
"""What answers where no full tone was recorded to relate to, so that hum is never left out."""


def texts_of(evidence: Evidence, code: str) -> dict[str, str]:
    """Return the texts of the listing by file name.

    Parameters
    ----------
    evidence : Evidence
        A job's evidence.
    code : str
        Short code of the evidence's results, to be given to a buyer early.
    """
    return {
        "short.txt": short_text(evidence),
        "middle.txt": middle_text(evidence),
        "long.txt": long_text(evidence, code),
        "answers.txt": answers_text(evidence),
    }


def short_text(evidence: Evidence) -> str:
    """Return a text of at most 300 characters: what is bad first, then what is within limits."""
    claims = claims_of(evidence)
    head = f"{_serviced(evidence)} Measured by me, not by an independent laboratory."
    tail = "Report and recordings on request."
    bad, beside = [claim for claim in claims if claim.bad], faults_beside(evidence)
    room = SHORT - len(head) - len(tail) - 3
    names = [*(_short_name(claim) for claim in bad), *beside]
    named = f"Outside my limits or worse: {', '.join(names)}."
    many = "1 quantity" if len(names) == 1 else f"{len(names)} quantities"
    number = f"{many} outside my limits or worse, named in the report."
    said = [head] + ([named if len(named) <= room // 2 else number] if names else [])
    for claim in _good(claims):
        more = f"{upper_first(_short_name(claim))} {claim.value}{claim.condition}."
        if len(" ".join([*said, more, tail])) <= SHORT:
            said.append(more)
    return " ".join([*said, tail])


def middle_text(evidence: Evidence) -> str:
    """Return a text of at most 1,500 characters: a line for each test, the bad ones never left out.

    Where that is too long, lines of what is within limits go first, and what is left is counted.
    """
    claims = claims_of(evidence)
    good = _good(claims)
    bad = [*(_short_line(claim) for claim in claims if claim.bad), *faults_beside(evidence)]
    text = ""
    for named in (True, False):
        for kept_bad in range(len(bad), -1, -1):
            for kept in range(max(0, min(len(good), MOST_LINES - kept_bad)), -1, -1):
                more = len(bad) - kept_bad
                text = _middle(evidence, bad[:kept_bad], good[:kept], more, named=named)
                if len(text) <= MIDDLE:
                    return text
    return text


def long_text(evidence: Evidence, code: str) -> str:
    """Return the whole text: every claim, what did not improve, what was not tested."""
    claims = claims_of(evidence)
    used = sum(outcome.used for outcome in evidence.outcomes)
    parts = [
        _headline(evidence),
        f"{_serviced(evidence)} Measured by me from sound recordings, not by an independent "
        "laboratory. Each value is followed by its expanded uncertainty, about 95 %. Limits are "
        "guide values chosen by me, no standard.",
        *(_line(claim) for claim in claims if not claim.bad),
        "Outside my limits or worse",
        *(
            [
                *(_line(c) for c in claims if c.bad),
                *(f"{text}." for text in faults_beside(evidence)),
            ]
            or [none_bad(evidence)]
        ),
        "No change shown",
        *(_by_group(_unchanged(evidence)) or [none_unchanged(evidence)]),
        f"Quantities undecided against my limits: {_number_of(evidence, UNDECIDED)}; not "
        f"measurable: {_number_of(evidence, NOT_MEASURABLE)}; the report names them.",
        "Not tested",
        *(
            [", ".join(not_tested(evidence)) + "."]
            if not_tested(evidence)
            else ["Nothing: every bench test was done in some stage."]
        ),
        *_earlier(evidence),
        *_done(evidence),
        *_rails(evidence),
        NOT_SHOWN,
        f"{used} of {evidence.capture_count} recordings were used; all of them are listed with "
        "their hashes. A hash shows that a file is unchanged since the list was made, not when or "
        "of what it was recorded.",
        f"Code of the results, the beginning of the SHA-256 of results.json: {code}",
    ]
    return "\n\n".join(textwrap.fill(part, WIDTH) for part in parts) + "\n"


def answers_text(evidence: Evidence) -> str:
    """Return answers to what buyers ask, in their order, from the last stage.

    What is outside its limit or became worse is told beside what was asked for.
    """
    blocks = []
    for question, test, quantities in ASKED:
        rows = [row for row in evidence.rows if row.test == test]
        told = []
        for group in dict.fromkeys(row.group for row in rows):
            found = {row.judged.quantity: row for row in rows if row.group == group}
            chosen = [found[q] for q in quantities if q in found]
            if not any(row.last.quantity.measurable for row in chosen):
                chosen = [found[q] for q in NO_TONE.get(test, ()) if q in found] or chosen
            if test == "slider":
                chosen = chosen[:1]
            chosen += [row for row in found.values() if is_bad(row) and row not in chosen]
            lines = [_answer(evidence, row) for row in chosen]
            told.append(f"{group_title(group)}: {'; '.join(lines) or 'not tested'}.")
        told += [
            f"{text}." for text in faults_beside(evidence) if text.startswith(TESTS[test].title)
        ]
        blocks.append((question, told or ["Not tested."]))
    repairs = evidence.job.repairs
    done = [f"{r}{f': {r.part}' if r.part else ''}." for r in repairs or ()]
    blocks.append(("What was replaced?", done or ["No log of repairs was kept."]))
    dates = evidence.job.recorded_on
    last = f"Last recorded on {dates[-1]}." if dates else "The job gives no dates."
    blocks.append(("When was it last on?", [last]))
    return "\n".join(
        "\n".join([question, *(textwrap.fill(line, WIDTH) for line in told), ""])
        for question, told in blocks
    )


def _answer(evidence: Evidence, row: Row) -> str:
    """Return a quantity of the last stage; where it was tested earlier only, of that stage."""
    if not row.last.tested:
        return earlier_value(row)
    return (
        f"{row.judged.label} {plain(cell_text(row.last))}{condition_of(evidence, row)}"
        + (f", {row.limit_verdict.word}" if row.limit_verdict.word else "")
        + (f", {row.verdict}" if row.verdict == WORSE else "")
    )


def _earlier(evidence: Evidence) -> list[str]:
    """Return what was tested in an earlier stage only, each with its value and stage."""
    rows = only_earlier(evidence)
    if not rows:
        return []
    told = [f"{group_title(row.group)}, {earlier_value(row)}." for row in rows]
    return [f"Not tested in the last stage, {words(evidence.job.stages[-1].name)}", *told]


def _middle(
    evidence: Evidence, bad: list[str], good: list[Claim], more_bad: int, *, named: bool
) -> str:
    unchanged, untested, earlier = (
        _unchanged(evidence),
        not_tested(evidence),
        only_earlier(evidence),
    )
    told = ", ".join(untested) if untested else "nothing; every bench test was done"
    if not named:
        told = f"{len(untested)}, named in the report"
    last = words(evidence.job.stages[-1].name)
    single = any(SINGLE in claim.row.remarks for claim in claims_of(evidence))
    lines = [
        _headline(evidence),
        f"{_serviced(evidence)} Measured by me, not by an independent laboratory.",
        "",
        "Outside my limits or worse:",
        *(bad if bad or more_bad else [none_bad(evidence)]),
    ]
    if more_bad:
        lines.append(f"and {more_bad} more, named in the report")
    if good:
        lines += ["", "Within my limits, among others:", *map(_short_line, good)]
    lines += [
        "",
        f"No change shown: {len(unchanged)} of the quantities compared, named in the report."
        if unchanged
        else f"No change shown: {none_unchanged(evidence).lower()}",
        f"Undecided against my limits: {_number_of(evidence, UNDECIDED)}; not measurable: "
        f"{_number_of(evidence, NOT_MEASURABLE)}.",
        *(["Where a stage has a single take, repeatability is unknown."] if single else []),
        f"Not tested: {told}.",
        *([f"Tested earlier and not in {last}: {len(earlier)}, in the report."] if earlier else []),
        *_rails(evidence),
        "",
        NOT_SHOWN,
    ]
    return "\n".join(lines)


def _number_of(evidence: Evidence, word: str) -> int:
    """Return how many quantities stood to their limits in a word when they were last tested."""
    return sum(row.held.word == word for row in evidence.rows)


def _good(claims: list[Claim]) -> list[Claim]:
    """Return what is within limits, in the order in which buyers ask, one of each test first."""
    within = [claim for claim in claims if claim.standing == "within" and not claim.bad]
    order = [test for _, test, _ in ASKED]

    def rank(claim: Claim) -> tuple[int, int, float]:
        same = [c for c in within if c.row.test == claim.row.test]
        same.sort(key=_strength, reverse=True)
        test = claim.row.test
        return same.index(claim), order.index(test) if test in order else 99, -_strength(claim)

    return sorted(within, key=rank)


def _short_line(claim: Claim) -> str:
    ends = [f"before {claim.before_short}" if claim.before_short else ""]
    ends.append(f"limit {claim.limit.removeprefix('at most ')}" if claim.limit else "")
    told = "; ".join(filter(None, ends))
    return f"{_short_name(claim)}: {claim.value}{claim.condition}{f' ({told})' if told else ''}"


def _line(claim: Claim) -> str:
    """Return a claim with its before, its limit and the finding on its change."""
    before = f"before {claim.before}, now " if claim.before else ""
    ends = [f"{claim.standing} my limit of {claim.limit}"] if claim.standing != "open" else []
    if claim.standing == "undecided":
        ends = [f"undecided against my limit of {claim.limit}"]
    if claim.change:
        ends.append(claim.change)
    if claim.row.seen.takes == 1:
        ends.append("single take")
    return f"{claim.name}: {before}{', '.join([claim.value + claim.condition, *ends])}."


def _headline(evidence: Evidence) -> str:
    settings = evidence.job.settings
    typed = ": ".join(t for t in (settings.unit, settings.description) if t)
    return textwrap.shorten(typed, TITLE, placeholder=" ...") or "Unit not named"


def _serviced(evidence: Evidence) -> str:
    """Return when it was recorded, and why nothing was before, where nothing was."""
    stages = evidence.job.stages
    dates = evidence.job.recorded_on
    recorded = sum(not stage.reason for stage in stages)
    when = f"Recorded in {recorded} {'stage' if recorded == 1 else 'stages'}, without dates."
    if dates:
        when = f"Recorded {' to '.join(dict.fromkeys([dates[0], dates[-1]]))}."
    if stages[0].reason:
        why = textwrap.shorten(
            f"{words(stages[0].name)}: {stages[0].reason}", WHY, placeholder=" ..."
        )
        when += f" No recording of {why.rstrip('.')}."
    return when


def _done(evidence: Evidence) -> list[str]:
    repairs = evidence.job.repairs
    if not repairs:
        return []
    told = "; ".join(f"{r}{f', {r.part}' if r.part else ''}" for r in repairs)
    return ["What was done", f"{told}."]


def _rails(evidence: Evidence) -> list[str]:
    """Return that changes include the effect of rails trimmed in between, where they do."""
    moved = any(r.startswith(RETRIMMED) for row in evidence.rows for r in row.remarks)
    return ["Supply rails were trimmed in between: changes include that effect."] if moved else []


def _unchanged(evidence: Evidence) -> list[Claim]:
    rows = [r for r in evidence.rows if r.verdict == UNCHANGED and r.judged.better != "none"]
    return [Claim(row, "open") for row in rows]


def _by_group(claims: list[Claim]) -> list[str]:
    """Return a line for each test and subject with the quantities of it."""
    labels: dict[str, list[str]] = {}
    for claim in claims:
        labels.setdefault(group_title(claim.row.group), []).append(claim.row.judged.label)
    return [f"{title}: {'; '.join(names)}." for title, names in labels.items()]


def _strength(claim: Claim) -> float:
    """Return how far a change exceeds its uncertainty, for the order of lines."""
    change = claim.row.change
    return abs(change.value) / change.expanded if change.measurable and change.u else 0.0


def _short_name(claim: Claim) -> str:
    subject = words(claim.row.subject)
    setting = f" {words(claim.row.setting)}" if claim.row.setting else ""
    return f"{subject}{setting} {claim.row.judged.label}"
