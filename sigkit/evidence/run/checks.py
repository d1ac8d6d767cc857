"""Many captures checked before leaving the bench: one after the other, copies among them named."""

from __future__ import annotations

import html
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias

from sigkit.captures.copies import Fingerprint
from sigkit.captures.fitness import ALL_TESTS, Fitness, Problem
from sigkit.captures.parts import join_parts
from sigkit.captures.remarks import spoken_time
from sigkit.errors import InputError, SigkitError
from sigkit.evidence.job.files import is_sound, is_stage, sounds
from sigkit.evidence.job.folder import open_job
from sigkit.evidence.job.names import known_test, read_name
from sigkit.evidence.job.settings import FILE

if TYPE_CHECKING:
    import pandas as pd

    from sigkit.captures.wav import Capture

BITS = {"PCM_U8": "8 bit", "PCM_S8": "8 bit", "FLOAT": "float", "DOUBLE": "double float"}
COPY = "copy of another capture"
Found: TypeAlias = tuple[str, list[Path], int | None, Any]
"""Name, files, channel and gaps of a capture that is to be checked."""


@dataclass(frozen=True)
class Check:
    """What was found in one capture.

    Parameters
    ----------
    name : str
        Its file, with the folder that was asked for in front.
    test : str
        The bench test that its name, or the caller, says; empty where neither does.
    fitness : Fitness or None
        None where it could not be read.
    error : SigkitError or None
        Why it could not be read.
    duration_s, level_dbfs : float
        Length, and level of its loudest 0.1 s; nan where it could not be read.
    rate, channels : int
        Sample rate in Hz and number of channels.
    bits : str
        Width of its samples.
    notes : tuple of str
        What the reader remarked.
    """

    name: str
    test: str = ""
    fitness: Fitness | None = None
    error: SigkitError | None = None
    duration_s: float = math.nan
    level_dbfs: float = math.nan
    rate: int = 0
    channels: int = 0
    bits: str = ""
    notes: tuple[str, ...] = ()

    @property
    def verdict(self) -> str:
        """The verdict for its own bench test where that is known, else for all; or unreadable."""
        if self.fitness is None:
            return "unreadable"
        return self.fitness.verdict_for(self.test) if self.test else self.fitness.verdict

    @property
    def problems(self) -> tuple[Problem, ...]:
        """Everything found."""
        return () if self.fitness is None else self.fitness.problems

    @property
    def facts(self) -> str:
        """Length, rate, width and level in words."""
        if self.fitness is None:
            return ""
        kind = {1: "mono", 2: "stereo"}.get(self.channels, f"{self.channels} channels")
        level = f"{round(self.level_dbfs)} dBFS" if math.isfinite(self.level_dbfs) else "silent"
        rate = f"{self.rate / 1000:g} kHz {kind}"
        return f"{spoken_time(self.duration_s)}, {rate}, {self.bits}, {level}"


@dataclass(frozen=True)
class CaptureChecks:
    """What was found in several captures.

    Parameters
    ----------
    checks : tuple of Check
        In the order in which they were given.
    """

    checks: tuple[Check, ...]

    @property
    def ok(self) -> bool:
        """Whether every capture could be read and none has to be recorded again."""
        return not any(check.verdict in ("record again", "unreadable") for check in self.checks)

    @property
    def count(self) -> str:
        """How many there are of each verdict, in words."""
        words = [check.verdict for check in self.checks]
        every = ("usable", "usable with remarks", "record again", "unreadable")
        told = [f"{words.count(word)} {word}" for word in every if word in words]
        number = f"{len(words)} capture{'' if len(words) == 1 else 's'}"
        return f"{number}: {', '.join(told)}" if told else "no captures"

    def summary(self) -> pd.DataFrame:
        """Return one row for each finding, and one for each capture without any.

        Returns
        -------
        DataFrame
            Columns capture, test, verdict, duration_s, rate_hz, level_dbfs, problem, how_much,
            where, harms, remedy.
        """
        import pandas as pd

        columns = ["capture", "test", "verdict", "duration_s", "rate_hz", "level_dbfs"]
        columns += ["problem", "how_much", "where", "harms", "remedy"]
        rows: list[tuple[object, ...]] = []
        for c in self.checks:
            head = (c.name, c.test, c.verdict, c.duration_s, c.rate, c.level_dbfs)
            found = [(p.kind, p.how_much, p.where, p.harmed, p.remedy) for p in c.problems]
            if c.error is not None:
                error = c.error
                found = [("unreadable", error.problem, error.where, "every test", error.remedy)]
            rows += [(*head, *words) for words in found or [("", "", "", "", "")]]
        return pd.DataFrame(rows, columns=columns)

    def to_dict(self) -> dict[str, Any]:
        """Return everything, ready for JSON."""
        return {
            "ok": self.ok,
            "captures": [
                {
                    "name": c.name,
                    "test": c.test,
                    "verdict": c.verdict,
                    "duration_s": None if math.isnan(c.duration_s) else c.duration_s,
                    "rate_hz": c.rate,
                    "bits": c.bits,
                    "channels": c.channels,
                    "level_dbfs": c.level_dbfs if math.isfinite(c.level_dbfs) else None,
                    "notes": list(c.notes),
                    "problems": [] if c.fitness is None else c.fitness.to_dict()["problems"],
                    "error": "" if c.error is None else str(c.error),
                }
                for c in self.checks
            ],
        }

    def __str__(self) -> str:
        lines = []
        for c in self.checks:
            lines.append(f"{c.name}: {c.verdict}" + (f" ({c.facts})" if c.facts else ""))
            lines += [f"  {line}" for p in c.problems for line in str(p).splitlines()]
            lines += [] if c.error is None else [f"  {line}" for line in str(c.error).splitlines()]
        return "\n".join([*lines, self.count])

    def _repr_html_(self) -> str:
        left = "style='text-align:left'"
        rows = []
        for c in self.checks:
            found = [f"{p.kind}: {p.how_much}; {p.where}. {p.remedy}" for p in c.problems]
            found += [] if c.error is None else [" ".join(str(c.error).splitlines())]
            told = "<br>".join(html.escape(text) for text in found)
            cells = [html.escape(text) for text in (c.name, c.facts, c.verdict)]
            rows.append("<tr>" + "".join(f"<td {left}>{x}</td>" for x in (*cells, told)) + "</tr>")
        words = ("capture", "length, rate, width, level", "verdict", "what was found")
        head = "".join(f"<th {left}>{word}</th>" for word in words)
        caption = html.escape(self.count)
        return f"<table><caption>{caption}</caption><tr>{head}</tr>{''.join(rows)}</table>"


def check_captures(
    paths: str | PathLike[str] | Sequence[str | PathLike[str]],
    test: str | None = None,
    *,
    progress: bool = False,
) -> CaptureChecks:
    """Check captures, or folders of them, before leaving the bench; writes nothing.

    Parameters
    ----------
    paths : path, or sequence of paths
        WAV files and folders; a folder stands for the captures in it, a job for those of its
        stages, with the channels that its settings choose.
    test : str, optional
        Bench test of all of them; None reads it from each capture's name.
    progress : bool, optional
        Show a bar with the time left.

    Returns
    -------
    CaptureChecks
        One check for each capture. One that cannot be read is listed with the reason, and the
        others are checked all the same.

    Raises
    ------
    InputError
        No bench test has that name, or the settings of a job are wrong.

    See Also
    --------
    sigkit.Capture.fitness : The same for one capture.
    """
    if isinstance(paths, (str, PathLike)):
        paths = [paths]
    from tqdm.auto import tqdm

    captures = list(captures_in(paths))
    checks = checked(captures, test)
    bar = tqdm(checks, "checking", len(captures), unit="capture", disable=not progress)
    return CaptureChecks(tuple(bar))


def checked(captures: Iterable[Found], test: str | None = None) -> Iterator[Check]:
    """Check captures one by one; see `check_captures`."""
    if test is not None:
        known_test(test, where="test")
    seen: dict[str, Fingerprint] = {}
    for name, files, channel, gap_s in captures:
        named = test if test is not None else _test_of(files[0])
        check = _checked(name, files, channel, gap_s, named)
        if test is None and (why := _left_out(files[0])):
            check = replace(check, notes=(*check.notes, why))
        yield _compared(check, seen)


def size_of(capture: Found) -> int:
    """Return the size in bytes of a capture's files that are there."""
    return sum(file.stat().st_size for file in capture[1] if file.is_file())


def captures_in(paths: Iterable[str | PathLike[str]]) -> Iterator[Found]:
    """Yield name, files, channel and gaps of every capture in files and folders."""
    for given in paths:
        path = Path(given)
        if not path.is_dir():
            yield str(given), [path], None, None
            continue
        stages = [folder for folder in sorted(path.iterdir()) if is_stage(folder)]
        own = sorted(file for file in path.iterdir() if file.is_file() and is_sound(file))
        rest = own + [file for stage in stages for file in sounds(stage)]
        for take in _takes(path) if stages and not own else ():
            rest = [file for file in rest if file.resolve() not in take.paths]
            yield str(path / take.key), list(take.paths), take.channel, take.gap_s
        for file in rest:
            yield str(file), [file], None, None


def _takes(folder: Path) -> Sequence[Any]:
    """Return the captures of a job; of a folder that is none, nothing."""
    try:
        return open_job(folder).takes
    except InputError:
        if (folder / FILE).is_file():
            raise
        return ()


def _left_out(path: Path) -> str:
    """Return why the job that a file lies in leaves it out; empty where it does not."""
    if not (path.absolute().parents[1] / FILE).is_file():
        return ""
    try:
        read_name(path.name)
    except InputError as error:
        return f"the job leaves it out: {error.problem} {error.remedy}"
    return ""


def _test_of(path: Path) -> str | None:
    try:
        name = read_name(path.name)
    except InputError:
        return None
    return name.test if name.test in ALL_TESTS else None


def _checked(
    name: str, files: list[Path], channel: int | None, gap_s: Any, test: str | None
) -> Check:
    try:
        capture = join_parts(files, channel, gap_s=gap_s)
        fitness = capture.fitness(test)
    except SigkitError as error:
        return Check(name, test or "", error=error)
    return Check(
        name,
        test or "",
        fitness,
        None,
        capture.duration_s,
        fitness.level_dbfs,
        capture.rate,
        capture.channels,
        _bits(capture),
        capture.notes,
    )


def _bits(capture: Capture) -> str:
    kind = capture.subtype
    return BITS.get(kind, f"{kind[4:]} bit" if kind.startswith("PCM_") else kind.replace("_", " "))


def _compared(check: Check, seen: dict[str, Fingerprint]) -> Check:
    """Add that a capture is a copy of one before it."""
    if check.fitness is None or check.fitness.fingerprint is None:
        return check
    own = check.fitness.fingerprint
    if any(problem.kind == "silent" for problem in check.problems):
        return check
    for other, known in seen.items():
        words = known.words(own)
        if words:
            remedy = "Find out which of the two names is right, and record the other one."
            copy = Problem(COPY, other, words, ALL_TESTS, remedy, "record again")
            problems = (copy, *check.fitness.problems)
            return replace(check, fitness=replace(check.fitness, problems=problems))
    seen[check.name] = own
    return check
