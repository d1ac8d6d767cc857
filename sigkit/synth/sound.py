"""A synthetic sound together with its exact truth, and how it is written to a WAV file."""

from __future__ import annotations

import itertools
import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import soundfile as sf
from numpy.typing import NDArray

from sigkit.errors import InputError

BITS = {"PCM_16": 16, "PCM_24": 24}
"""Sample formats that can be written, and their bits; both are exact integers of the samples."""


@dataclass(frozen=True, eq=False)
class Sound:
    """Samples and the exact truth they were made from.

    Parameters
    ----------
    samples : ndarray, shape (n_samples,)
        The sound, full scale = 1.
    rate : int
        Sample rate in Hz.
    truth : mapping of str to anything, optional
        What was put in. Paths are arrays beside ``truth["time_s"]``, such as
        ``truth["frequency_hz"]``; happenings are tables such as ``truth["events"]``.
    """

    samples: NDArray[np.float64]
    rate: int
    truth: Mapping[str, Any] = field(default_factory=dict)

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return len(self.samples) / self.rate

    @property
    def time_s(self) -> NDArray[np.float64]:
        """Instant of every sample in seconds."""
        return np.arange(len(self.samples)) / self.rate

    def window_mean(self, name: str, start_s: float, stop_s: float) -> float:
        """Return the mean over time of a truth path between two instants.

        Parameters
        ----------
        name : str
            Key of a path in ``truth``, such as ``"frequency_hz"``.
        start_s, stop_s : float
            The window in seconds, inside the sound.

        Returns
        -------
        float
            The time average, in the unit of the path.

        Raises
        ------
        InputError
            The window is empty or not inside the sound.

        Notes
        -----
        The path is taken as straight between its points, which lie at most 1 ms apart.
        """
        time, values = self.truth["time_s"], self.truth[name]
        if not time[0] <= start_s < stop_s <= time[-1]:
            raise InputError(
                f"No window from {start_s} to {stop_s} s lies inside {time[0]} to {time[-1]} s.",
                remedy="Ask for a window with start before stop, inside the sound.",
            )
        inside = (time > start_s) & (time < stop_s)
        t = np.concatenate(([start_s], time[inside], [stop_s]))
        v = np.interp(t, time, values)
        return float(np.sum((v[1:] + v[:-1]) / 2 * np.diff(t)) / (stop_s - start_s))


def truth_path(rate: int, **paths: NDArray[np.float64]) -> dict[str, NDArray[np.float64]]:
    """Return ``time_s`` and the given per-sample paths at points at most 1 ms apart."""
    hop = max(1, rate // 1000)
    n = len(next(iter(paths.values())))
    points = np.unique(np.append(np.arange(0, n, hop), n - 1))
    return {"time_s": points / rate} | {name: path[points] for name, path in paths.items()}


def quantise(
    samples: NDArray[np.float64], *, bits: int, rng: np.random.Generator | None
) -> NDArray[np.int64]:
    """Round samples to integers of ``bits`` bits, with triangular dither of 2 LSB if ``rng``.

    Parameters
    ----------
    samples : ndarray, shape (n_samples,)
        Sound with full scale = 1; what lies beyond full scale is clipped.
    bits : int
        Bits of a sample, sign included.
    rng : numpy.random.Generator or None
        Source of the dither; None rounds without dither.

    Returns
    -------
    ndarray of int64, shape (n_samples,)
        Values from ``-2**(bits-1)`` to ``2**(bits-1) - 1``.

    Notes
    -----
    The sum of two independent rectangular dithers of 1 LSB makes mean and variance of the
    rounding error independent of the sound [1]_.

    References
    ----------
    .. [1] Lipshitz, Wannamaker, Vanderkooy, "Quantization and dither: a theoretical survey",
       J. Audio Eng. Soc. 40 (1992).
    """
    full = 1 << (bits - 1)
    scaled = samples * full
    if rng is not None:
        scaled = scaled + (rng.random(samples.shape) - rng.random(samples.shape))
    return np.clip(np.rint(scaled), -full, full - 1).astype(np.int64)


def write_wav(
    path: str | os.PathLike[str],
    sound: Sound,
    *,
    subtype: str = "PCM_24",
    dither: bool = True,
    seed: int = 0,
    overwrite: bool = False,
) -> Path:
    """Write a sound as a WAV file whose bytes depend on nothing but the arguments.

    Parameters
    ----------
    path : path-like
        The file to write; its folder must exist.
    sound : Sound
        What to write.
    subtype : {"PCM_24", "PCM_16"}
        Sample format. Floating-point files are not offered: they carry a time stamp.
    dither : bool
        Add triangular dither of 2 LSB before rounding.
    seed : int
        Seed of the dither.
    overwrite : bool
        Replace a file that exists.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    InputError
        The file exists and ``overwrite`` is false; unknown ``subtype``; samples not finite.

    Examples
    --------
    >>> import tempfile
    >>> from sigkit.synth import tone, write_wav
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     print(write_wav(f"{folder}/a.wav", tone("sine", 440.0, rate=8000, seconds=1.0)).name)
    a.wav
    """
    return write_blocks(
        path,
        [sound.samples],
        sound.rate,
        subtype=subtype,
        dither=dither,
        seed=seed,
        overwrite=overwrite,
    )


def write_blocks(
    path: str | os.PathLike[str],
    blocks: Iterable[NDArray[np.float64]],
    rate: int,
    *,
    subtype: str = "PCM_24",
    dither: bool = True,
    seed: int = 0,
    overwrite: bool = False,
) -> Path:
    """Write blocks of sound one after the other; see `write_wav`, memory stays that of a block.

    Parameters
    ----------
    path : path-like
        The file to write; its folder must exist.
    blocks : iterable of ndarray, shape (n_samples,) or (n_samples, n_channels)
        Consecutive blocks, full scale = 1. One with more than one channel per sample is written
        as such; all blocks have the channels of the first.
    rate : int
        Sample rate in Hz.
    subtype, dither, seed, overwrite
        As in `write_wav`.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    InputError
        As in `write_wav`; or there is no block at all.
    """
    path = Path(path)
    if subtype not in BITS:
        raise InputError(
            f"The sample format {subtype!r} cannot be written.",
            where=str(path),
            remedy=f"Choose one of {', '.join(BITS)}.",
        )
    source = iter(blocks)
    first = next(source, None)
    if first is None:
        raise InputError("There is no sound to write.", where=str(path), remedy="Give a block.")
    if path.exists() and not overwrite:
        raise InputError(
            "The file exists already and was left as it is.",
            where=str(path),
            remedy="Choose another name, or say overwrite=True.",
        )
    rng = np.random.default_rng(seed) if dither else None
    shift = 32 - BITS[subtype]
    channels = 1 if first.ndim == 1 else first.shape[1]
    part = path.with_name(path.name + ".part")
    try:
        with sf.SoundFile(part, "w", rate, channels, subtype, format="WAV") as file:
            for block in itertools.chain([first], source):
                if not np.all(np.isfinite(block)):
                    raise InputError(
                        "The sound holds samples that are not finite.",
                        where=str(path),
                        remedy="Check the paths it was made from.",
                    )
                whole = quantise(block, bits=BITS[subtype], rng=rng)
                file.write((whole << shift).astype(np.int32))
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)
    return path
