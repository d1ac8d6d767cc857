"""Opening a bench test of a job for a notebook."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from sigkit.errors import InputError
from sigkit.evidence.job.folder import Take, open_job
from sigkit.evidence.job.names import known_test, suggestion
from sigkit.measures import TESTS
from sigkit.notebook.bench import MAINS, Bench


def open_bench(
    folder: str | Path,
    test: str | None = None,
    *,
    stages: str | Sequence[str] | None = None,
    mains_hz: float | None = None,
) -> Bench:
    """Open one bench test of a job for a notebook.

    Parameters
    ----------
    folder : str or Path
        The job's folder, as for `open_job`.
    test : str, optional
        Name of the bench test; None for all.
    stages : str or sequence of str, optional
        Which stages; None for all.
    mains_hz : float, optional
        Mains frequency, before that of job.toml.

    Returns
    -------
    Bench
        Nothing is measured yet.

    Raises
    ------
    InputError
        No such folder, test or stage, or wrong settings in the job.

    Examples
    --------
    >>> bench = open_bench("sample_audio", "warmup", stages=["1_before", "3_after"])
    >>> print(bench)
    sample_audio: Warm-up drift; 1 before, 3 after; mains 50 Hz
    Captures
    - 1 before: warmup-oscillator_1.wav
    - 3 after: warmup-oscillator_1.wav
    """
    if test is not None:
        known_test(test, where="open_bench, test")
    job = open_job(folder)
    names = [stage.name for stage in job.stages]
    asked = [stages] if isinstance(stages, str) else list(stages or names)
    for name in asked:
        if name not in names:
            raise InputError(
                f"The job has no stage {name!r}.",
                where=str(job.folder),
                remedy=suggestion(name, names, "stages"),
            )
    if mains_hz is not None and not 40 <= mains_hz <= 70:
        raise InputError(
            f"A mains frequency of {mains_hz:g} Hz is not one.",
            where="open_bench, mains_hz",
            remedy="Give 50 or 60, or None for what job.toml says.",
        )
    takes = tuple(
        _with_mains(take, mains_hz)
        for take in job.takes
        if take.stage in asked and test in (None, take.name.test)
    )
    used = {take.stage for take in takes}
    left_out = tuple(name for name in names if name in asked and name not in used)
    kept = tuple(stage for stage in job.stages if stage.name in used)
    wrong = tuple(p for p in job.problems if test is None or Path(p.where).name.startswith(test))
    return Bench(replace(job, stages=kept, takes=takes, problems=wrong), test, mains_hz, left_out)


def _with_mains(take: Take, mains_hz: float | None) -> Take:
    if mains_hz is None or MAINS not in TESTS[take.name.test].options:
        return take
    return replace(take, options={**take.options, MAINS: mains_hz})
