"""What the reader remarks on a file: a repaired header, bytes left out, the channel taken."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
import soundfile as sf

from sigkit.captures.header import Layout

SAMPLE_BYTES = {
    "PCM_U8": 1,
    "PCM_S8": 1,
    "ULAW": 1,
    "ALAW": 1,
    "PCM_16": 2,
    "PCM_24": 3,
    "PCM_32": 4,
    "FLOAT": 4,
    "DOUBLE": 8,
}
"""Bytes of one sample, for the subtypes that have a fixed number."""

USUAL_RATES = (8000, 11025, 16000, 22050, 32000, 44100, 48000, 88200, 96000, 176400, 192000)
LOOKS = 48
LOOK_FRAMES = 2048


def header_notes(layout: Layout, sound: sf.SoundFile) -> list[str]:
    """Say what of the header was not taken at its word."""
    width = SAMPLE_BYTES.get(sound.subtype, 0) * sound.channels
    got = spoken_time(sound.frames / sound.samplerate)
    why = {
        "not closed": "the recorder did not close this file",
        "cut off": "the file ends before its header says",
        "wrapped": "the file is longer than its kind of header can say",
    }
    notes = []
    if layout.state != "sound":
        notes.append(
            f"header repaired in memory: {why[layout.state]}; {got} recovered; "
            "the file itself is unchanged"
        )
    if width and layout.length % width:
        count = layout.length % width
        notes.append(
            f"{count} {'byte' if count == 1 else 'bytes'} at the end of the sound left "
            f"out: less than a frame of {width} bytes"
        )
    if layout.more_data:
        notes.append(
            f"{layout.more_data} bytes of a second stretch of sound left out: only the first "
            "is read"
        )
    byte_rate = int.from_bytes(layout.format_chunk[8:12], layout.order)
    if width and byte_rate % width == 0 and byte_rate != width * sound.samplerate:
        other = byte_rate // width
        if other in USUAL_RATES:
            notes.append(
                f"the header contradicts itself: {sound.samplerate} Hz, but as many bytes a second "
                f"as {other} Hz would have; which rate is right?"
            )
    if layout.stray:
        notes.append(
            f"{layout.stray} bytes behind the sound left out: they are neither samples by "
            "the header nor a known part of a WAV file"
        )
    return notes


def louder_channel(sound: sf.SoundFile) -> tuple[int, str]:
    """Compare the channels in short windows over the whole file, each without its mean."""
    from sigkit.captures.cues.look import cue_channel

    power = np.zeros(sound.channels)
    whole = sound.frames <= LOOKS * LOOK_FRAMES
    last = max(0, sound.frames - LOOK_FRAMES)
    starts = [0] if whole else np.linspace(0, last, LOOKS).astype(int).tolist()
    for start in starts:
        sound.seek(start)
        block = sound.read(-1 if whole else LOOK_FRAMES, dtype="float64", always_2d=True)
        if len(block):
            block = np.clip(np.nan_to_num(block), -1e6, 1e6)
            power += np.var(block, axis=0)
    cued = cue_channel(sound, power)
    if cued is not None:
        power[cued] = 0.0
    every = "0 and 1" if sound.channels == 2 else f"0 to {sound.channels - 1}"
    channel = int(np.argmax(power))
    loudest, second = power[channel], np.partition(power, -2)[-2]
    rest = "the other" if sound.channels == 2 else "the next"
    if loudest == 0:
        how = "all are silent where looked"
    elif second == 0:
        how = f"{rest} is silent where looked"
    else:
        gain_db = 10 * math.log10(loudest / second)
        how = f"{gain_db:.0f} dB louder" if gain_db >= 1 else f"within 1 dB of {rest}"
        how += " than the next" if gain_db >= 1 and sound.channels > 2 else ""
    if cued is not None:
        how = f"channel {cued} holds a cue track" + (f"; {how}" if sound.channels > 2 else "")
    return channel, f"channel {channel} (of {every}) taken: {how}"


def spoken_place(seconds: float, digits: int = 2) -> str:
    """Return a place in a sound, with its minute where it has one.

    Examples
    --------
    >>> spoken_place(9.5), spoken_place(754.21, 1)
    ('9.50 s', '12 min 34.2 s')
    """
    if round(seconds, digits) < 60:
        return f"{seconds:.{digits}f} s"
    minutes, rest = divmod(round(seconds, digits), 60)
    return f"{minutes:.0f} min {rest:.{digits}f} s"


def spoken_places(seconds: Iterable[float], digits: int = 2) -> str:
    """Return several places, the unit once where none has a minute.

    Examples
    --------
    >>> spoken_places([1.875, 1.89]), spoken_places([9.5, 61], 0)
    ('1.88, 1.89 s', '10 s, 1 min 1 s')
    """
    every = [spoken_place(one, digits) for one in seconds]
    if any("min" in one for one in every):
        return ", ".join(every)
    return f"{', '.join(one.removesuffix(' s') for one in every)} s"


def spoken_span(start_s: float, stop_s: float, digits: int = 1) -> str:
    """Return a stretch of a sound, such as ``1.5 to 2.5 s``."""
    return spoken_places((start_s, stop_s), digits).replace(", ", " to ")


def spoken_time(seconds: float) -> str:
    """Return a length of time in words, such as ``43 min 12 s``."""
    if seconds < 60:
        return f"{seconds:.3g} s"
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes} min {rest} s" if hours else f"{minutes} min {rest} s"
