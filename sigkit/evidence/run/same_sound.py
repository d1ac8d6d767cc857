"""Captures of a job that are one recording under two names, told by their sound."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sigkit.evidence.run.takes import Outcome


def same_sound(outcomes: Sequence[Outcome]) -> Iterator[tuple[str, str, str]]:
    """Yield every capture that is a copy of an earlier one, the earlier one, and what they share.

    Files that are the same byte for byte are left out: those are told by their hashes.
    """
    seen: list[Outcome] = []
    for outcome in outcomes:
        own = outcome.fingerprint
        if own is None or outcome.error is not None:
            continue
        for other in seen:
            words = other.fingerprint.words(own) if other.fingerprint is not None else ""
            if words and outcome.sha256 != other.sha256:
                yield outcome.take.key, other.take.key, words
                break
        seen.append(outcome)
