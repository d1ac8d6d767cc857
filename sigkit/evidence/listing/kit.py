"""The listing kit: every file that goes beside a sale."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from sigkit.evidence.listing.claims import overclaims
from sigkit.evidence.listing.pictures import listing_drawings
from sigkit.evidence.listing.sounds import sounds_of
from sigkit.evidence.listing.texts import texts_of

if TYPE_CHECKING:
    from sigkit.evidence.evidence import Evidence


def kit_of(
    evidence: Evidence, code: str, *, pictures: Mapping[str, bytes] | None = None
) -> dict[str, bytes]:
    """Return the files of the kit by their path in it.

    Parameters
    ----------
    evidence : Evidence
        A job's evidence.
    code : str
        Short code of its results.
    pictures : mapping of str to bytes, optional
        Its pictures; they are drawn here if None.

    Returns
    -------
    dict of str to bytes
        Texts, ``pictures/`` and ``sounds/``; nothing where no capture could be measured.

    Notes
    -----
    What the technician typed stands in the texts as it was typed; words in it that promise more
    than a measurement can show are named in ``check_your_words.txt``.
    """
    if not any(outcome.measured for outcome in evidence.outcomes):
        return {}
    texts = texts_of(evidence, code)
    files = {name: text.encode() for name, text in texts.items()}
    found = sorted({word for text in texts.values() for word in overclaims(text)})
    if found:
        files["check_your_words.txt"] = (
            f"These words of yours promise more than a measurement can show: {', '.join(found)}.\n"
            "They come from job.toml or repairs.csv. Say instead what was measured.\n"
        ).encode()
    if pictures is None:
        pictures = {
            n: draw() for bundle in listing_drawings(evidence) for n, draw in bundle.items()
        }
    files |= {f"pictures/{name}": png for name, png in pictures.items()}
    files |= {f"sounds/{name}": data for name, data in sounds_of(evidence).items()}
    return files
