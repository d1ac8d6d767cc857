"""What may be said of a job in a listing: one sentence for each judged quantity, and no more."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from sigkit.evidence.report.ladder_section import cleaned_with, name_of
from sigkit.evidence.report.setting_order_section import order_faults
from sigkit.evidence.report.wording import cell_text, group_title, limit_text, short_text
from sigkit.evidence.rows.gaps import NO_REASON, NOT_FITTED, gaps_of
from sigkit.judging.compare import IMPROVED, UNCHANGED, WORSE
from sigkit.judging.limits import NOT_TESTED, OUTSIDE, UNDECIDED, WITHIN
from sigkit.measures import TESTS
from sigkit.measures.result import words

if TYPE_CHECKING:
    from sigkit.evidence.evidence import Evidence
    from sigkit.evidence.rows.table import Row

Standing = Literal["within", "outside", "undecided", "open"]
STANDINGS: dict[str, Standing] = {WITHIN: "within", OUTSIDE: "outside", UNDECIDED: "undecided"}
WARMUP = "warmup"
FEW_MINUTES = 5
NEVER = (
    "as new",
    "like new",
    "perfect",
    "fully calibrated",
    "certified",
    "guaranteed",
    "better than factory",
    "zero noise",
    "all faults fixed",
    "lab-tested",
    "flawless",
    "mint",
)
"""Words that promise more than a measurement can show."""


@dataclass(frozen=True)
class Claim:
    """What may be said of one quantity.

    Parameters
    ----------
    row : Row
        The row behind it.
    standing : {"within", "outside", "undecided", "open"}
        How the last stage stands to its limit; open where it was not held against one.
    condition : str
        Without which the figure would say more than was measured; empty where it needs none.
    """

    row: Row
    standing: Standing
    condition: str = ""

    @property
    def name(self) -> str:
        """Test, subject and quantity in words."""
        return f"{group_title(self.row.group)}, {self.row.judged.label}"

    @property
    def figure(self) -> str:
        """What was measured in the last stage that has a capture."""
        return plain(cell_text(self.row.seen))

    @property
    def value(self) -> str:
        """The same, and in which stage where that is an earlier one."""
        since = f" in {words(self.row.since)}, not tested since" if self.row.since else ""
        return self.figure + since

    @property
    def before(self) -> str:
        """What was measured in the first stage that has captures; empty where it is the last."""
        tested = [name for name, cell in self.row.cells.items() if cell.tested]
        if not tested or tested[0] in (list(self.row.cells)[-1], self.row.since):
            return ""
        return plain(cell_text(self.row.cells[tested[0]]))

    @property
    def before_short(self) -> str:
        """The same without reasons and without the count behind a rate."""
        if not self.before:
            return ""
        return plain(short_text(next(c for c in self.row.cells.values() if c.tested)))

    @property
    def limit(self) -> str:
        """The limit it was held against."""
        return plain(limit_text(self.row)) if self.row.limit is not None else ""

    @property
    def bad(self) -> bool:
        """Whether it has to be said as loud as what improved."""
        return self.standing == "outside" or self.row.verdict == WORSE

    @property
    def change(self) -> str:
        """The finding on its change: improved, worse or no change shown; else empty."""
        word = self.row.verdict
        return word if word in (IMPROVED, WORSE, UNCHANGED) else ""

    def __str__(self) -> str:
        where = f" (limit {self.limit})" if self.limit and self.standing != "open" else ""
        return f"{self.name}: {self.value}{self.condition}{where}"


def claims_of(evidence: Evidence) -> list[Claim]:
    """Return what may be said: of each test and subject its leading judged quantity, and all bad.

    Parameters
    ----------
    evidence : Evidence
        A job's evidence.

    Returns
    -------
    list of Claim
        In the order of the bench tests; only quantities with a value in the last stage, and what
        lay outside its limit when it was last tested.
    """
    told: dict[tuple[str, str, str], Row] = {}
    for row in evidence.rows:
        if row.last.quantity.measurable and row.limit_verdict.word in STANDINGS:
            told.setdefault(row.group, row)
    every = [
        Claim(row, STANDINGS.get(row.held.word, "open"), condition_of(evidence, row))
        for row in evidence.rows
    ]
    return [c for c in every if told.get(c.row.group) is c.row or c.bad]


def condition_of(evidence: Evidence, row: Row) -> str:
    """Return what a figure of a warm-up goes with: how long was recorded, and how warm it was.

    A shorter recording settles sooner, as what comes after its end is not seen.
    """
    if row.test != WARMUP or not row.seen.quantity.measurable:
        return ""
    stages = {stage.name: stage for stage in evidence.job.stages}
    last = stages[row.since] if row.since else evidence.job.stages[-1]
    lengths = [
        outcome.duration_s / 60
        for outcome in evidence.outcomes
        if outcome.used
        and outcome.take.stage == last.name
        and (outcome.take.name.test, outcome.take.name.subject) == (WARMUP, row.subject)
    ]
    room_c = last.room_of(row.test, row.subject)
    where = f" at {room_c:g} °C" if room_c is not None else ""
    shortest = min(lengths, default=0.0)
    places = 0 if shortest > FEW_MINUTES else 1
    return f" (recorded for {shortest:.{places}f} min{where})" if lengths else ""


def not_tested(evidence: Evidence) -> list[str]:
    """Return the bench tests without a capture in any stage, with the reason where one is."""
    tested = {row.test for row in evidence.rows}
    told: dict[str, str] = {}
    parts: list[str] = []
    for gap in (g for g in gaps_of(evidence) if g.kind in (NOT_TESTED, NOT_FITTED)):
        why = "" if gap.why == NO_REASON else gap.why
        if gap.kind == NOT_FITTED:
            why = f"{NOT_FITTED}: {why}" if why else NOT_FITTED
        if gap.subject:
            parts.append(f"{group_title((gap.test, gap.subject, ''))} ({why or NOT_TESTED})")
        elif why:
            told[gap.test] = f" ({why})"
    whole = [f"{t.title}{told.get(t.name, '')}" for t in TESTS.values() if t.name not in tested]
    return whole + parts


def only_earlier(evidence: Evidence) -> list[Row]:
    """Return what was tested in an earlier stage and not in the last: the leading row of each."""
    found: dict[tuple[str, str, str], Row] = {}
    for row in evidence.rows:
        if not row.last.tested and any(cell.tested for cell in row.cells.values()):
            found.setdefault(row.group, row)
    return list(found.values())


def earlier_value(row: Row) -> str:
    """Return what was measured in the last stage that has a capture, and in which one."""
    name, cell = [(name, cell) for name, cell in row.cells.items() if cell.tested][-1]
    stood = f", {row.stood.word} then" if row.stood.word else ""
    return f"{row.judged.label} {plain(cell_text(cell))} in {words(name)}{stood}, not tested since"


def faults_beside(evidence: Evidence) -> list[str]:
    """Return what is faulty when it was last tested, and is no quantity of one capture.

    What a quantity does over the marks of its slider, and sliders that crackle again.
    """
    last = evidence.job.stages[-1].name
    back = [
        f"Slider pass: {name_of(line)}, quiet before and crackling again in "
        f"{words(line.last.stage)}"
        + (f", after {cleaned_with(line)}" if cleaned_with(line) else "")
        for line in evidence.ladder.lines
        if line.last.returned
    ]
    return [plain(text) for text in (*order_faults(evidence.setting_orders, last), *back)]


def overclaims(text: str, typed: Sequence[str] = ()) -> list[str]:
    """Return the words of a text that promise too much, but for what the technician typed.

    Parameters
    ----------
    text : str
        Any text of the listing.
    typed : sequence of str
        What the technician wrote, which stands as it is.

    Examples
    --------
    >>> overclaims("Perfect, as new, within 2 cents")
    ['as new', 'perfect']
    """
    for own in typed:
        text = text.replace(own, " ") if own else text
    return [word for word in NEVER if re.search(rf"\b{re.escape(word)}\b", text, re.IGNORECASE)]


def plain(text: str) -> str:
    """Return a text with plain spaces on one line."""
    return " ".join(text.replace("\N{NO-BREAK SPACE}", " ").split())
