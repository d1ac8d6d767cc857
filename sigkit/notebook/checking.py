"""Every capture of a job looked over before the bench is cleared: which to record again."""

from __future__ import annotations

import io
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from sigkit.captures.copies import Fingerprint
from sigkit.captures.fitness import Fitness
from sigkit.captures.parts import join_parts
from sigkit.captures.wav import Capture
from sigkit.charts.take import draw_take
from sigkit.errors import InputError, SigkitError
from sigkit.evidence.job.folder import Job, Take
from sigkit.evidence.job.names import suggestion
from sigkit.evidence.run.progress import Progress
from sigkit.measures import TESTS
from sigkit.measures.result import words
from sigkit.notebook.listening import LONGEST_S, Heard, faded, players
from sigkit.notebook.shown import Shown, heading, listed, picture, table, together

WORST_FIRST = ("unreadable", "record again", "usable with remarks", "usable")
COLUMNS = 800


@dataclass(frozen=True)
class TakeCheck:
    """What was found in one capture.

    Parameters
    ----------
    take : Take
        The capture.
    fitness : Fitness or None
        None where it could not be read.
    findings : tuple of str
        What is wrong, and what to do, a line each.
    """

    take: Take
    fitness: Fitness | None
    findings: tuple[str, ...]

    @property
    def verdict(self) -> str:
        """For its own bench test, or ``unreadable``."""
        if self.fitness is None:
            return WORST_FIRST[0]
        if any(finding.startswith("copy") for finding in self.findings):
            return WORST_FIRST[1]
        return self.fitness.verdict_for(self.take.name.test)


@dataclass(frozen=True)
class TakeChecks:
    """What was found in every capture of a job.

    Parameters
    ----------
    job : Job
        The job.
    name : str
        What the notebook calls it.
    checks : tuple of TakeCheck
        One for each capture, in order.
    """

    job: Job
    name: str
    checks: tuple[TakeCheck, ...]

    def verdict(self, key: str) -> str:
        """Return the verdict for a capture, such as ``"1_before/noise-output.wav"``."""
        return self._of(key).verdict

    @cached_property
    def worst(self) -> TakeCheck:
        """The capture that most needs to be looked at."""
        return min(self.checks, key=lambda check: WORST_FIRST.index(check.verdict))

    @property
    def count(self) -> str:
        """How many there are of each verdict."""
        found = [check.verdict for check in self.checks]
        told = [f"{found.count(word)} {word}" for word in WORST_FIRST if word in found]
        return f"{len(found)} captures: {', '.join(told)}"

    def look(self, key: str = "") -> Shown:
        """Show the whole course of a capture; of the one with the worst verdict if none is named.

        Raises
        ------
        InputError
            No such capture, or it cannot be read.
        """
        check = self._of(key)
        capture = _opened(check.take)
        caption = f"{check.take.key}: {check.verdict}. " + " ".join(check.findings[:1])
        return together([heading(self.name), picture(course(capture), caption)])

    def listen(self, key: str = "") -> Shown:
        """Show a player for the first seconds of a capture, and of one of the same test to compare.

        Raises
        ------
        InputError
            No such capture, or it cannot be read.
        """
        check = self._of(key)
        good = [
            other
            for other in self.checks
            if other.verdict == WORST_FIRST[-1]
            and other.take.name.test == check.take.name.test
            and other is not check
        ]
        good.sort(key=lambda other: other.take.name.subject == check.take.name.subject)
        pair = [check, *good[-1:]]
        heard = [beginning_of(_opened(one.take), one.take.key) for one in pair]
        return together([heading(self.name), players(heard)])

    def meaning(self) -> Shown:
        """Show what to record again, and what is missing."""
        again = [c for c in self.checks if c.verdict in WORST_FIRST[:2]]
        remarks = [c for c in self.checks if c.verdict == WORST_FIRST[2]]
        have = {check.take.name.test for check in self.checks}
        missing = [test.title for name, test in TESTS.items() if name not in have]
        alone = [
            f"{words(stage.name)}: {', '.join(names)}"
            for stage in self.job.stages
            if (names := self._only_in(stage.name))
        ]
        last = "Record the first of these again before anything on the bench is moved."
        return together(
            [
                heading(self.name),
                listed("Record again", [_line(check) for check in again]),
                listed("Usable, with a remark", [_line(check) for check in remarks]),
                listed("In one stage alone, so that there is nothing to compare it with", alone),
                listed("No capture in any stage", missing),
                listed("Next at the bench", [last if again else "Go on to the next notebook."]),
            ]
        )

    def _only_in(self, stage: str) -> list[str]:
        if len(self.job.stages) < 2:
            return []
        stages: dict[str, set[str]] = {}
        for check in self.checks:
            name = check.take.name
            subject = "-".join(part for part in (name.test, name.subject, name.setting) if part)
            stages.setdefault(subject, set()).add(check.take.stage)
        return [subject for subject, found in stages.items() if found == {stage}]

    def _of(self, key: str) -> TakeCheck:
        if not key:
            return self.worst
        known = {check.take.key: check for check in self.checks}
        if key not in known:
            raise InputError(
                f"There is no capture {key!r}.",
                where=self.name,
                remedy=suggestion(key, known, "captures"),
            )
        return known[key]

    def __repr__(self) -> str:
        return str(self._shown())

    def _repr_html_(self) -> str:
        return self._shown().markup

    def _shown(self) -> Shown:
        """Return verdicts, captures down and stages across, and below whatever was found."""
        stages = [stage.name for stage in self.job.stages]
        rows: dict[str, dict[str, str]] = {}
        for check in self.checks:
            rows.setdefault(check.take.path.stem, {})[check.take.stage] = check.verdict
        body = [[name, *(cells.get(stage, "") for stage in stages)] for name, cells in rows.items()]
        wrong = [f"{p.where}: {p.problem} {p.remedy}" for p in self.job.problems]
        return together(
            [
                heading(f"{self.name}; {self.count}"),
                listed("To be seen to", [_line(c) for c in self.checks if c.findings]),
                listed("Left out because of their names", wrong),
                table(["capture", *map(words, stages)], body),
            ]
        )


def check_takes(job: Job, name: str, *, progress: bool = True) -> TakeChecks:
    """Look every capture of a job over, each once.

    Parameters
    ----------
    job : Job
        The job.
    name : str
        What the notebook calls it.
    progress : bool, optional
        Show a progress bar.
    """
    seen: dict[str, Fingerprint] = {}
    checks = []
    sizes = [sum(path.stat().st_size for path in t.paths if path.is_file()) for t in job.takes]
    total = max(1, sum(sizes))
    with Progress("checking", "captures", len(sizes), total, shown=progress, soon=True) as shown:
        for take, size in zip(job.takes, sizes, strict=True):
            checks.append(_checked(take, seen))
            shown.done(size, last=f"{take.key}: {checks[-1].verdict}")
    return TakeChecks(job, name, tuple(checks))


def _checked(take: Take, seen: dict[str, Fingerprint]) -> TakeCheck:
    try:
        fitness = _opened(take).fitness(take.name.test)
    except SigkitError as error:
        return TakeCheck(take, None, (" ".join(str(error).splitlines()),))
    own = fitness.fingerprint
    copies = {key: known.words(own) for key, known in seen.items()} if own is not None else {}
    findings = [
        f"copy of {key} ({how}): find out which of the two names is right."
        for key, how in copies.items()
        if how and not any(p.kind == "silent" for p in fitness.problems)
    ]
    if own is not None:
        seen[take.key] = own
    findings += [f"{p.kind}, {p.where}: {p.how_much}. {p.remedy}" for p in fitness.problems]
    return TakeCheck(take, fitness, tuple(findings))


def _line(check: TakeCheck) -> str:
    return f"{check.take.key}, {check.verdict}: {' '.join(check.findings)}"


def _opened(take: Take) -> Capture:
    return join_parts(take.paths, take.channel, gap_s=take.gap_s)


def beginning_of(capture: Capture, name: str) -> Heard:
    """Return the first seconds of a capture, behind its first one where it is long enough."""
    start_s = max(0.0, min(1.0, capture.duration_s - LONGEST_S))
    stop_s = min(start_s + LONGEST_S, capture.duration_s)
    samples = faded(capture.read(start_s, stop_s), capture.rate)
    return Heard(samples, capture.rate, f"{name}, {start_s:.1f} to {stop_s:.1f} s")


def course(capture: Capture) -> bytes:
    """Draw the lowest and the highest sample of every stretch of a capture."""
    from matplotlib.figure import Figure

    from sigkit.charts.style import look

    low, high = [], []
    for block in capture.blocks(seconds=capture.duration_s / COLUMNS):
        samples = np.asarray(block)
        low.append(float(samples.min()))
        high.append(float(samples.max()))
    time_s = (np.arange(len(low)) + 0.5) * capture.duration_s / len(low)
    with look():
        figure = Figure(figsize=(5.2, 2.2), layout="constrained")
        draw_take(time_s, np.array(low), np.array(high), figure.add_subplot())
        file = io.BytesIO()
        figure.savefig(file, format="png", dpi=160, metadata={"Software": None})
    return file.getvalue()
