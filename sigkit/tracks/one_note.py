"""Which frames of a track belong to the one held note, where a wedge slips or a key is touched."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from sigkit.arrays import Flags, Real
from sigkit.captures.remarks import spoken_span
from sigkit.tracks.pitch import PitchTrack

BLOCK_S = 0.5
SAME_CENTS = 70.0
"""A pitch that is further away from one half second to the next is another note."""
SAID_S = 1.0
"""Another pitch is named where it lasts longer."""
HUM_HZ, HUM_CENTS = (50.0, 60.0, 100.0, 120.0), 15.0
"""Mains hum before the tone has these pitches, and is no note where another one follows."""
LATE_S, LATE_SHARE = 30.0, 0.02
"""A tone that ends so long before the recording does ended early."""


@dataclass(frozen=True, eq=False)
class HeldNote:
    """The frames of one held note.

    Parameters
    ----------
    kept : ndarray of bool, shape (n_frames,)
        Which frames belong to it.
    notes : tuple of str
        What was left out, and where the tone ended early.
    """

    kept: Flags
    notes: tuple[str, ...]


def held_note(track: PitchTrack, duration_s: float, least_s: float) -> HeldNote | None:
    """Follow the first note that is held.

    Parameters
    ----------
    track : PitchTrack
        The pitch of the whole capture.
    duration_s : float
        Length of the capture.
    least_s : float
        So long the first note must be held.

    Returns
    -------
    HeldNote or None
        None where no note is held that long.

    Notes
    -----
    Medians of half seconds are compared with the last ones that belong to the note: its pitch may
    drift as far as it likes, but a change of more than 70 cents is another note, until it is back.
    """
    size = max(1, round(BLOCK_S / track.hop_s))
    count = -(-track.frequency_hz.size // size)
    padded = np.full(count * size, np.nan)
    known = track.voiced
    if not known.any():
        return None
    reference_hz = float(np.median(track.frequency_hz[known]))
    cents = track.cents(reference_hz)
    padded[: cents.size] = cents
    blocks = padded.reshape(count, size)
    enough = np.isfinite(blocks).sum(axis=1) >= max(1, size // 3)
    level = np.full(count, np.nan)
    level[enough] = np.nanmedian(blocks[enough], axis=1)
    runs = _runs(level, least_s / (size * track.hop_s))
    if not runs:
        return None
    notes = [run for run in runs if not _is_hum(level[run], reference_hz)]
    first = int((notes or runs)[0][0])
    same = np.zeros(count, dtype=bool)
    recent = [float(level[first])] * 3
    for i in np.flatnonzero(enough[first:]) + first:
        if abs(level[i] - np.median(recent)) < SAME_CENTS:
            same[i] = True
            recent = [*recent[1:], float(level[i])]
    near = np.abs(blocks - level[:, None]) < SAME_CENTS
    kept = (near & same[:, None]).ravel()[: cents.size]
    # Windows that reach into another pitch mix the two.
    reach = 2 * round(track.window_s / track.hop_s) + 1
    kept &= ~ndimage.binary_dilation(known & ~kept, np.ones(reach, dtype=bool))
    return HeldNote(kept, _notes(level, same, size * track.hop_s, duration_s))


def _runs(level: Real, least: float) -> list[NDArray[np.intp]]:
    """Return runs of blocks that stay near each other for long enough; gaps do not break them."""
    known = np.flatnonzero(np.isfinite(level))
    breaks = np.flatnonzero(np.abs(np.diff(level[known])) >= SAME_CENTS) + 1
    return [run for run in np.split(known, breaks) if run.size >= 0.9 * least - 1]


def _is_hum(level: Real, reference_hz: float) -> bool:
    """Whether a run stays at the mains frequency or twice that."""
    mains = 1200 * np.log2(np.array(HUM_HZ) / reference_hz)
    off = np.abs(level[:, None] - mains).max(axis=0)
    return bool(off.min() < HUM_CENTS)


def _notes(level: Real, same: Flags, block_s: float, duration_s: float) -> tuple[str, ...]:
    notes = []
    last = int(np.flatnonzero(same)[-1])
    other = np.isfinite(level) & ~same
    padded = np.concatenate([[False], other, [False]])
    edges = np.flatnonzero(np.diff(padded.astype(np.int8)))
    spans = [
        (a, b)
        for a, b in zip(edges[::2], edges[1::2], strict=True)
        if (b - a) * block_s >= SAID_S and b <= last
    ]
    usual = float(np.median(level[same]))
    for a, b in spans[:5]:
        notes.append(
            f"another pitch ({np.median(level[a:b]) - usual:+.0f} cents) from "
            f"{spoken_span(a * block_s, b * block_s, 0)} is left out"
        )
    if len(spans) > 5:
        notes.append(f"another pitch in {len(spans) - 5} more places is left out")
    end_s = (last + 1) * block_s
    if duration_s - end_s > max(LATE_S, LATE_SHARE * duration_s):
        after = level[last + 1 :][other[last + 1 :]]
        what = f"another pitch ({np.median(after) - level[last]:+.0f} cents)" if after.size else ""
        notes.append(
            f"the note ends {end_s / 60:.1f} min into a recording of {duration_s / 60:.1f} min"
            f"{f', {what} follows' if what else ''}: only the part before is measured"
        )
    return tuple(notes)
