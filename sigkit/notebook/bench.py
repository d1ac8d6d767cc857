"""One bench test of a job at work in a notebook: measured, shown, played, explained."""

from __future__ import annotations

from typing import TypeVar

from sigkit.errors import InputError
from sigkit.evidence.evidence import Evidence
from sigkit.evidence.job.folder import Job, Take
from sigkit.evidence.job.names import suggestion
from sigkit.evidence.job.settings import FILE
from sigkit.evidence.report.pages import weight
from sigkit.evidence.report.pictures import shown_takes
from sigkit.evidence.rows.table import Group, Row
from sigkit.evidence.run.takes import measure_takes
from sigkit.measures import TESTS, Result
from sigkit.measures.result import words
from sigkit.notebook.checking import TakeChecks, check_takes
from sigkit.notebook.cueing import cue_beside
from sigkit.notebook.listening import heard_stages
from sigkit.notebook.looking import charts_of, others
from sigkit.notebook.shown import Shown, heading, listed, said, together
from sigkit.notebook.stamp import change_since, stamp_of
from sigkit.notebook.telling import (
    by_group,
    limits_table,
    meaning_of,
    problems_shown,
    results_table,
)
from sigkit.quantity import Quantity
from sigkit.synth.demo import is_demo
from sigkit.synth.scenario import SCENARIO

Found = TypeVar("Found", Evidence, TakeChecks)
MAINS = "mains_hz"
FROM_THE_TOP = "Run the notebook from the top: menu Run, Run All Cells."
SURE = 0.999
"""Share of cases in which a stated interval has to hold the truth where a notebook asserts it."""
HEARD_FIRST = ("slider", "keyboard", "envelope", "glide", "beating", "warmup", "stability", "noise")
"""What is listened to first where the bench holds several tests."""


class Bench:
    """One bench test of a job, or all of them, as a notebook works through it.

    It knows what it was opened with, so that results of other settings, or of files that have
    changed since, are never shown without a word.

    Parameters
    ----------
    job : Job
        The job, with the stages and captures that were chosen.
    test : str or None
        The bench test; None for all.
    mains_hz : float or None
        Mains frequency from the notebook; None as job.toml says.
    left_out : tuple of str
        Stages of the job without a capture of this test.

    See Also
    --------
    sigkit.open_bench : How to get one.
    """

    def __init__(
        self, job: Job, test: str | None, mains_hz: float | None, left_out: tuple[str, ...]
    ) -> None:
        self.job = job
        self.test = test
        self.mains_hz = mains_hz
        self.left_out = left_out
        self._stamp = stamp_of(job, test)
        self._evidence: Evidence | None = None
        self._checks: TakeChecks | None = None

    @property
    def is_sample(self) -> bool:
        """Whether the job is the sample that comes with sigkit, whose truth is known."""
        takes = self.job.takes
        own = bool(takes) and all(take.key in SCENARIO for take in takes)
        return own and is_demo(self.job.folder)

    @property
    def evidence(self) -> Evidence:
        """Everything measured, as `Job.measure` gives it.

        Raises
        ------
        InputError
            Nothing is measured yet with these settings, or files have changed since.
        """
        return self._held(self._evidence, "measured")

    @property
    def name(self) -> str:
        """Job, test, stages and mains, in one line."""
        title = TESTS[self.test].title if self.test else "every test"
        stages = ", ".join(words(stage.name) for stage in self.job.stages)
        return f"{self.job.folder.name}: {title}; {stages or 'no stage'}; mains {self._mains()}"

    @property
    def checks(self) -> TakeChecks:
        """What `check` found.

        Raises
        ------
        InputError
            Nothing is checked yet with these settings, or files have changed since.
        """
        return self._held(self._checks, "checked")

    def check(self, *, progress: bool = True) -> TakeChecks | Shown:
        """Look every capture over, measuring none.

        Parameters
        ----------
        progress : bool, optional
            Show a progress bar.

        Raises
        ------
        InputError
            Files have changed since the settings were read.
        """
        self._check_unchanged()
        if not self.job.takes:
            return said(self._missing(), self.name)
        self._checks = check_takes(self.job, self.name, progress=progress)
        return self._checks

    def measure(self, *, progress: bool = True) -> Shown:
        """Measure every capture once and show the stages side by side.

        Parameters
        ----------
        progress : bool, optional
            Show a progress bar.

        Returns
        -------
        Shown
            Values with their expanded uncertainty, change and limit; below, what is to be seen to.

        Raises
        ------
        InputError
            Files have changed since the settings were read.
        """
        self._check_unchanged()
        if not self.job.takes:
            return said(self._missing(), self.name)
        self._evidence = Evidence.of(
            self.job, measure_takes(self.job.takes, progress=progress, soon=True)
        )
        return self.numbers()

    def numbers(self, *, every: bool = False) -> Shown:
        """Show the table again; ``every=True`` with every quantity.

        Raises
        ------
        InputError
            Nothing is measured yet with these settings, or files have changed since.
        """
        if not self.job.takes:
            return said(self._missing(), self.name)
        evidence = self.evidence
        note = f"No capture of this test in {', '.join(map(words, self.left_out))}."
        return together(
            [
                heading(self.name),
                results_table(evidence, every=every),
                said(note) if self.left_out else Shown("", ""),
                problems_shown(evidence),
            ]
        )

    def look(self, subject: str = "", setting: str = "", *, most: int = 2) -> Shown:
        """Show the charts that the report has, each with what one sees on it.

        Parameters
        ----------
        subject, setting : str, optional
            Which ones; empty for those that show most.
        most : int, optional
            How many charts at most.

        Raises
        ------
        InputError
            No such subject or setting, or nothing is measured yet, or files have changed since.
        """
        if not self.job.takes:
            return said("Nothing to look at: " + self._missing(), self.name)
        groups = self._groups(subject, setting)
        parts = charts_of(self.evidence, groups[:most], across=not subject)
        return together([heading(self.name), *parts, others("look", groups[most:])])

    def listen(self, subject: str = "", setting: str = "") -> Shown:
        """Show a player for each stage, all at one gain: turn the volume down first.

        Parameters
        ----------
        subject, setting : str, optional
            Which one; empty for the one that shows most.

        Raises
        ------
        InputError
            No such subject or setting, or nothing is measured yet, or files have changed since.
        """
        if not self.job.takes:
            return said("Nothing to listen to: " + self._missing(), self.name)
        groups = sorted(self._groups(subject, setting), key=_heard)
        shown = {o.take.stage: o for o in shown_takes(self.evidence, groups[0])}
        if not shown:
            return said("Nothing to listen to: no capture could be measured.", self.name)
        players = heard_stages(shown)
        return together([heading(self.name), players, others("listen", groups[1:])])

    def meaning(self) -> Shown:
        """Show what the results mean and the next step at the bench.

        Raises
        ------
        InputError
            Nothing is measured yet with these settings, or files have changed since.
        """
        if not self.job.takes:
            return said("Nothing to say: " + self._missing(), self.name)
        return together([heading(self.name), meaning_of(self.evidence)])

    def held_against(self, test: str, quantity: str, *limits: float) -> Shown:
        """Show what the verdicts would be under other limits; nothing is measured again.

        Parameters
        ----------
        test, quantity : str
            Such as ``"stability"`` and ``"spread"``.
        *limits : float
            Largest value, or magnitude, that would be within limits; in the quantity's unit.

        Raises
        ------
        InputError
            No such test or quantity, nothing is measured yet, or files have changed since.
        """
        if not self.job.takes:
            return said("Nothing to hold against a limit: " + self._missing(), self.name)
        told = limits_table(self.evidence, test, quantity, limits)
        return together([heading(self.name), told])

    def cue(self) -> Shown:
        """Write the cue track of the test beside the notebook, and say what its beeps ask for.

        A track that is there already is left as it is.
        """
        return cue_beside(self.test or "", keys=self.job.settings.wide.get("keys"))

    def value(self, quantity: str, stage: str, subject: str = "", setting: str = "") -> Quantity:
        """Return one number with its uncertainty.

        Parameters
        ----------
        quantity, stage : str
            Such as ``"settling_time"`` and ``"3_after"``.
        subject, setting : str, optional
            Where there are several.

        Raises
        ------
        InputError
            No such number, or nothing is measured yet, or files have changed since.
        """
        row = self.row(quantity, subject, setting)
        if stage not in row.cells:
            raise InputError(
                f"There is no stage {stage!r} here.",
                where=self.name,
                remedy=suggestion(stage, list(row.cells), "stages"),
            )
        return row.cells[stage].quantity

    def verdict(self, quantity: str, subject: str = "", setting: str = "") -> str:
        """Return what may be said of the change of a quantity, such as ``"improved"``."""
        return self.row(quantity, subject, setting).verdict

    def holds(
        self, truth: float, quantity: str, stage: str, subject: str = "", setting: str = ""
    ) -> bool:
        """Return whether a number agrees with a known truth within its uncertainty (99.9 %)."""
        value = self.value(quantity, stage, subject, setting)
        return value.measurable and abs(value.value - truth) <= value.half_width(SURE)

    def result(self, stage: str, subject: str = "", setting: str = "") -> Result:
        """Return the whole measurement of the first take of a stage, with its tables."""
        group = self._groups(subject, setting)[0]
        for outcome in shown_takes(self.evidence, group):
            if outcome.take.stage == stage and outcome.result is not None:
                return outcome.result
        raise InputError(
            f"There is no measurement in stage {stage!r}.",
            where=self.name,
            remedy="Choose another stage, or see 'To be seen to' below the table.",
        )

    def row(self, quantity: str, subject: str = "", setting: str = "") -> Row:
        """Return a row of the table; that of the subject that shows most where none is named."""
        for group in self._groups(subject, setting):
            for row in by_group(self.evidence.rows)[group]:
                if row.judged.quantity == quantity:
                    return row
        known = list(dict.fromkeys(row.judged.quantity for row in self.evidence.rows))
        raise InputError(
            f"There is no quantity {quantity!r} here.",
            where=self.name,
            remedy=suggestion(quantity, known, "quantities"),
        )

    def __repr__(self) -> str:
        return str(self._opened())

    def _repr_html_(self) -> str:
        return self._opened().markup

    def _opened(self) -> Shown:
        """Return what was found: the captures of each stage, and names that are wrong."""
        if not self.job.takes:
            return said(self._missing(), self.name)
        by_stage: dict[str, list[Take]] = {}
        for take in self.job.takes:
            by_stage.setdefault(take.stage, []).append(take)
        lines = []
        for stage, takes in by_stage.items():
            names = ", ".join(take.path.name for take in takes[:6])
            more = f" and {len(takes) - 6} more" if len(takes) > 6 else ""
            lines.append(f"{words(stage)}: {names}{more}")
        wrong = [f"{p.where}: {p.problem} {p.remedy}" for p in self.job.problems]
        return together([heading(self.name), listed("Captures", lines), listed("Left out", wrong)])

    def _groups(self, subject: str, setting: str) -> list[Group]:
        """Return subjects and settings, those that show most first; only named ones if named."""
        rows = by_group(self.evidence.rows)
        found = [
            group
            for group in sorted(rows, key=lambda g: -max(map(weight, rows[g])))
            if subject in ("", group[1]) and setting in ("", group[2])
        ]
        if not found:
            asked = " ".join(part for part in (subject, setting) if part)
            known = [" ".join(part for part in group[1:] if part) for group in rows]
            raise InputError(
                f"There is no {asked!r} here.",
                where=self.name,
                remedy=suggestion(asked, known, "captures"),
            )
        return found

    def _mains(self) -> str:
        own = self.job.settings.wide.get(MAINS)
        if self.mains_hz is None:
            return f"{own:g} Hz" if own is not None else "not given"
        differs = own is not None and own != self.mains_hz
        return f"{self.mains_hz:g} Hz" + (f" ({FILE} says {own:g})" if differs else "")

    def _missing(self) -> str:
        title = TESTS[self.test].title if self.test else "any test"
        example = f"{self.test or 'warmup'}-SUBJECT.wav"
        test = self.test or "TEST"
        return (
            f"there is no capture of {title!r} in {self.job.folder.name}. Record one, named "
            f"{example}, into a stage's folder (00_record.ipynb); 'sigkit sheet {test}' prints "
            "how. Then run this notebook from the top."
        )

    def _held(self, found: Found | None, done: str) -> Found:
        """Return what was found, unless there is nothing yet, or files have changed since."""
        if found is None:
            problem = f"Nothing has been {done} yet with these settings."
            raise InputError(problem, where=self.name, remedy=FROM_THE_TOP)
        self._check_unchanged()
        return found

    def _check_unchanged(self) -> None:
        changed = change_since(self._stamp, stamp_of(self.job, self.test))
        if changed:
            raise InputError(
                f"{changed} since this notebook read its settings; what it shows would be old.",
                where=self.name,
                remedy=FROM_THE_TOP,
            )


def _heard(group: Group) -> int:
    return HEARD_FIRST.index(group[0]) if group[0] in HEARD_FIRST else len(HEARD_FIRST)
