"""Is a capture fit to measure: what is wrong with it, what that harms, and what to do."""

from __future__ import annotations

import html
import math
from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from sigkit.captures.channel_faults import channel_faults
from sigkit.captures.clipping import LARGEST_STEP
from sigkit.captures.content import too_short, wrong_content
from sigkit.captures.copies import Fingerprint
from sigkit.captures.gain_faults import Overs, gain_faults, overs_of
from sigkit.captures.lossy import lossy_history
from sigkit.captures.mains_faults import mains_faults
from sigkit.captures.problem import ALL_TESTS, LEVEL_TESTS, PITCH_TESTS, Problem
from sigkit.captures.recorder_faults import recorder_faults
from sigkit.captures.speech import speech
from sigkit.captures.survey import Surveyor
from sigkit.captures.tally import (
    STEP,
    Tally,
    above_of,
    clipped_of,
    dc_of,
    empty_of,
    file_of,
    level_of,
)
from sigkit.errors import InputError

if TYPE_CHECKING:
    from sigkit.captures.wav import Capture

RATES_HZ = (2000, 1_000_000)
"""Beyond these the rate in the header is nonsense, and only levels are looked at."""
FLOATS = ("FLOAT", "DOUBLE")

Word = Literal["usable", "usable with remarks", "record again"]


@dataclass(frozen=True)
class Fitness:
    """What was found wrong with a capture.

    Parameters
    ----------
    name : str
        File name of the capture.
    problems : tuple of Problem
        Everything found, the worst first.
    level_dbfs : float
        Level of the loudest 0.1 s; a full-scale sine reads 0.
    fingerprint : Fingerprint or None
        What tells a copy of the capture.
    """

    name: str
    problems: tuple[Problem, ...] = ()
    level_dbfs: float = field(default=math.nan, compare=False)
    fingerprint: Fingerprint | None = field(default=None, repr=False, compare=False)

    @property
    def verdict(self) -> Word:
        """``usable``, ``usable with remarks``, or ``record again`` if any test suffers badly."""
        if any(p.severity == "record again" for p in self.problems):
            return "record again"
        return "usable with remarks" if self.problems else "usable"

    def verdict_for(self, test_name: str) -> Word:
        """Return the verdict for one bench test.

        Parameters
        ----------
        test_name : str
            Such as ``"warmup"``.

        Returns
        -------
        str
            ``record again`` only if a problem of that weight harms this test.

        Raises
        ------
        InputError
            No bench test has that name.
        """
        _known(test_name)
        if any(p.severity == "record again" and test_name in p.harms for p in self.problems):
            return "record again"
        return "usable with remarks" if self.problems else "usable"

    def __str__(self) -> str:
        return "\n".join([f"{self.name}: {self.verdict}", *map(str, self.problems)])

    def _repr_html_(self) -> str:
        head = "".join(
            f"<th style='text-align:left'>{word}</th>"
            for word in ("problem", "how much", "where", "harms", "what to do", "meaning")
        )
        rows = "".join(
            "<tr>"
            + "".join(
                f"<td style='text-align:left'>{html.escape(text)}</td>"
                for text in (p.kind, p.how_much, p.where, p.harmed, p.remedy, p.severity)
            )
            + "</tr>"
            for p in self.problems
        )
        caption = html.escape(f"{self.name}: {self.verdict}")
        table = f"<tr>{head}</tr>{rows}" if rows else ""
        return f"<table><caption>{caption}</caption>{table}</table>"

    def to_dict(self) -> dict[str, Any]:
        """Return verdict and problems, ready for JSON."""
        return {
            "name": self.name,
            "verdict": self.verdict,
            "verdict_for": {test: self.verdict_for(test) for test in ALL_TESTS},
            "problems": [{**asdict(p), "harms": list(p.harms)} for p in self.problems],
        }


def check_fitness(capture: Capture, test: str | None = None) -> Fitness:
    """Say whether a capture is fit to measure; streams it once.

    Parameters
    ----------
    capture : Capture
        Any capture.
    test : str, optional
        Name of the bench test it is for; then its length and content are held against what that
        test needs.

    Returns
    -------
    Fitness
        Everything found, the worst first.

    Raises
    ------
    InputError
        No bench test has that name.
    SignalError
        The file cannot be read to its end, or holds NaN or infinite samples.

    Notes
    -----
    Looked for are: silence, too low a level, clipping at and below full scale, rounded tops, peaks
    between samples or in a float file above full scale, a DC offset, hum; a length or a content
    that the named test can't use; the same sound on both channels, sound on the channel of the
    key; holes of zeros, stretches sent twice, samples lost from a steady tone; a gain that pumps;
    mains lines that ask about the sample rate; a lossy codec, now or in the past; speech; a
    repaired header. Only what a waveform can show is said: saturation of a tone that keeps its
    level cannot be told from its shape, nor samples lost from noise.

    Levels are those of AES17: a full-scale sine reads 0 dBFS. A DC offset is taken where the mean
    and the middle between highest and lowest sample agree on it, because a narrow pulse has a mean
    and a pulse behind a coupling capacitor has a middle of its own; less than 3 % of half the
    swing is not told from the sampling of a steep edge. How clipping is told from a
    pulse is written at `FlatTops`. Peaks between samples are those of Recommendation ITU-R
    BS.1770, Annex 2. Limits are common practice, no source.
    """
    if test is not None:
        _known(test)
    tally, overs = Tally(capture), Overs()
    surveyor = Surveyor(capture) if RATES_HZ[0] <= capture.rate <= RATES_HZ[1] else None
    with np.errstate(over="ignore", invalid="ignore"):
        for first, frames in capture.frame_blocks(1.0):
            tally.add(first, frames)
            tame = np.clip(frames, -1e6, 1e6) if capture.subtype in FLOATS else frames
            tame = np.nan_to_num(tame) if capture.subtype in FLOATS else tame
            if surveyor is not None:
                surveyor.add(first, tame)
            overs.add(first, tame[:, capture.channel])
    survey = None if surveyor is None else surveyor.survey()
    if survey is not None:  # 16-bit sound in a float file has the steps of 16 bits
        survey.step = max(survey.step, min(tally.step, LARGEST_STEP))
    found = [*level_of(tally), *clipped_of(tally), *above_of(tally), *dc_of(tally)]
    found += [*file_of(capture), *empty_of(tally)]
    if test == "noise":  # there is nothing to be loud
        found = [p for p in found if p.kind not in ("level low", "level far too low")]
    sounds = not any(problem.kind in ("silent", "level far too low") for problem in found)
    if sounds and survey is not None:
        clipped = any(problem.kind == "clipped" for problem in found)
        found += [] if clipped else overs_of(overs, capture)
        found += recorder_faults(capture, survey)
        found += channel_faults(survey, test)
        found += mains_faults(survey, test)
        found += [
            p for p in gain_faults(survey, test) if not (clipped and p.kind == "soft clipping")
        ]
        found += lossy_history(survey)
        found += speech(survey)
        found += wrong_content(survey, test)
    if not any(problem.kind == "too short" for problem in found):
        found += too_short(capture.duration_s, test)
    found.sort(key=lambda problem: problem.severity == "remark")
    known_by = None
    if survey is not None:
        known_by = Fingerprint(survey.samples_sha256, survey.excerpts, capture.frames)
    return Fitness(capture.path.name, tuple(found), tally.level_dbfs, known_by)


def _known(test: str) -> None:
    if test not in ALL_TESTS:
        raise InputError(
            f"There is no bench test named {test!r}.",
            where="test",
            remedy=f"Known tests: {', '.join(ALL_TESTS)}.",
        )


__all__ = [
    "ALL_TESTS",
    "LEVEL_TESTS",
    "PITCH_TESTS",
    "STEP",
    "Fitness",
    "Problem",
    "Tally",
    "check_fitness",
    "clipped_of",
]
