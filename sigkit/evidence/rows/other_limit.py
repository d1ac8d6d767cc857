"""A job with another limit, its captures left as they are."""

from __future__ import annotations

from dataclasses import replace

from sigkit.errors import InputError
from sigkit.evidence.job.folder import Job
from sigkit.evidence.job.names import suggestion
from sigkit.measures import bench_test


def job_with_limit(job: Job, test: str, quantity: str, limit: float, source: str) -> Job:
    """Return the job with one limit of its own more; ``source`` may be empty.

    Raises
    ------
    InputError
        No such test or quantity.
    """
    judged = [j.quantity for j in bench_test(test, where="with_limit").judged]
    if quantity not in judged:
        raise InputError(
            f"{test} has no judged quantity {quantity!r}.",
            where="with_limit",
            remedy=suggestion(quantity, judged, "quantities"),
        )
    settings, key = job.settings, (test, quantity)
    sources = {k: v for k, v in settings.limit_sources.items() if k != key}
    changed = replace(
        settings,
        limits={**settings.limits, key: float(limit)},
        limit_sources=sources | ({key: source} if source else {}),
    )
    return replace(job, settings=changed)
