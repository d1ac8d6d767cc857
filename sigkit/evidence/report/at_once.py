"""Pictures drawn in several processes at once: the same ones, byte for byte."""

from __future__ import annotations

import contextlib
import warnings
from collections.abc import Iterator, Sequence

from sigkit.evidence.report.pictures import Bundle
from sigkit.evidence.run.one_take import one_thread
from sigkit.evidence.run.workers import lost_process, own_jobs

ENOUGH = 16
"""Fewer pictures are drawn sooner than processes have started."""
Warned = list[tuple[str, type[Warning]]]


@contextlib.contextmanager
def drawn_at_once(bundles: Sequence[Bundle]) -> Iterator[Iterator[dict[str, bytes]]]:
    """Begin to draw, and yield the pictures of each bundle by name as soon as they are drawn.

    Parameters
    ----------
    bundles : sequence of Bundle
        What draws them. The pictures of one are drawn in one process.

    Notes
    -----
    Where joblib was told how to work (threads, or a cluster), they are drawn here, one after the
    other: what matplotlib is set to holds for a whole process. Where a process dies, what is left
    is drawn here too.
    """
    jobs = own_jobs(len(bundles))
    if jobs is None or sum(map(len, bundles)) < ENOUGH:
        yield map(drawn, bundles)
        return
    from joblib import Parallel, delayed

    pool = Parallel(n_jobs=jobs, return_as="generator_unordered", batch_size=1)
    outcomes: Iterator[tuple[int, dict[str, bytes], Warned]] = pool(
        delayed(_in_worker)(number, bundle) for number, bundle in enumerate(bundles)
    )
    with contextlib.closing(outcomes):  # type: ignore[type-var]
        yield _collected(bundles, outcomes)


def _collected(
    bundles: Sequence[Bundle], outcomes: Iterator[tuple[int, dict[str, bytes], Warned]]
) -> Iterator[dict[str, bytes]]:
    left = dict(enumerate(bundles))
    try:
        for number, pictures, warned in outcomes:
            for message, kind in warned:
                warnings.warn(message, kind, stacklevel=2)
            del left[number]
            yield pictures
    except Exception as error:
        if not lost_process(error):
            raise
    yield from map(drawn, left.values())


def drawn(bundle: Bundle) -> dict[str, bytes]:
    """Draw a bundle here, whatever matplotlib was set to before."""
    import matplotlib as mpl

    usual = {key: value for key, value in mpl.rcParamsDefault.items() if "backend" not in key}
    with one_thread(), mpl.rc_context(usual):
        return {name: draw() for name, draw in bundle.items()}


def _in_worker(number: int, bundle: Bundle) -> tuple[int, dict[str, bytes], Warned]:
    with warnings.catch_warnings(record=True) as caught:
        pictures = drawn(bundle)
    return number, pictures, [(str(one.message), one.category) for one in caught]
