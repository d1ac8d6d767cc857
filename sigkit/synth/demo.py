"""The demo job on disk: written bit for bit the same each time, never over anything else."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable
from pathlib import Path

from sigkit.errors import InputError
from sigkit.synth.planted import Slider
from sigkit.synth.scenario import SCENARIO
from sigkit.synth.sound import Sound, write_wav
from sigkit.synth.waved import Waved

JOB_TOML = """\
unit = "K14"
description = "44-key two-oscillator keyboard synthesizer"
mains_hz = 50
lowest_key = "F2"
keys = 44

[stages.1_before]
date = "2026-03-02"
room_c = 20.5
rails_v = { plus15 = 15.02, minus15 = -14.98 }
gain_db = 24

[stages.2_cleaned]
date = "2026-03-09"
room_c = 21.0
rails_v = { plus15 = 15.02, minus15 = -14.98 }
gain_db = 24

[stages.3_after]
date = "2026-03-23"
room_c = 20.0
rails_v = { plus15 = 15.02, minus15 = -14.98 }
gain_db = 24

[private]
owner = "not for export"
"""
REPAIRS_CSV = """\
date,stage,section,subject,found,done,part,note,corrects
2026-03-05,2_cleaned,sliders,"volume, oscillator_1_level, oscillator_2_level, filter_cutoff, \
oscillator_2_tune, pulse_width",crackle,contact cleaner that leaves no residue,,,
2026-03-16,3_after,power supply,"output, oscillators",ripple on both rails,\
filter capacitors replaced,4700 uF 35 V,,
2026-03-17,3_after,oscillator 1,"oscillator_1, oscillators",pitch jumps when tapped,\
trimmer replaced and joints soldered anew,10 kohm,,
2026-03-17,3_after,keyboard,oscillator_1,three faulty keys and a stretched scale,\
"bus cleaned, bushings replaced, scale set",,,
2026-03-18,3_after,oscillator 2,oscillator_2,pulse too narrow,pulse width set anew,,,
2026-03-18,3_after,portamento,portamento,shorter at three quarters than at half,\
slider replaced,,,
2026-03-18,3_after,envelope,loudness,held level sags,timing capacitor replaced,film 1 uF,,
2026-03-19,3_after,sliders,"volume, oscillator_1_level, oscillator_2_level, filter_cutoff, \
oscillator_2_tune, pulse_width",some crackle left,dismantled and cleaned by hand,,,
"""
WARM_S = 2400
"""The pitch captures but the warm-ups were begun so long after switch-on."""


def demo_sound(name: str) -> Sound:
    """Return one capture of the demo as sound, with its exact truth.

    Parameters
    ----------
    name : str
        Such as ``"1_before/slider-volume.wav"``.

    Returns
    -------
    Sound
        Before it is rounded to 16 bits. Truth of a pitch capture: ``frequency_hz`` and ``cents``
        (re 220 Hz) at ``time_s``, of two oscillators one of each, with ``fine_tune_cents`` and
        ``held``; of a slider capture: ``events``, ``passes`` and ``clean``; of an envelope:
        ``notes``; of a key sweep: ``keys``; of idle noise: ``floor_dbfs``, ``mains_hz``,
        ``lines_dbfs`` and more; of a waveform: ``width``, the share of the period that is high
        or rises.

    Raises
    ------
    InputError
        The demo has no such capture.

    Examples
    --------
    >>> demo_sound("3_after/slider-volume.wav").truth["events"].empty
    True
    """
    if name not in SCENARIO:
        raise InputError(
            f"The demo has no capture named {name!r}.",
            remedy=f"Choose one of {', '.join(SCENARIO)}.",
        )
    return SCENARIO[name].sound()


def make_demo(
    folder: str | os.PathLike[str],
    *,
    remake: bool = False,
    watch: Callable[[int], None] | None = None,
) -> list[Path]:
    """Write the demo job: captures of three stages, ``job.toml`` and ``repairs.csv``.

    Parameters
    ----------
    folder : path-like
        Where to write it; made if it does not exist.
    remake : bool
        Replace files of the demo that differ from what it would write. Other files in the folder
        are never touched.
    watch : callable, optional
        Called with the number of captures that are made so far.

    Returns
    -------
    list of Path
        Every file of the demo, in order; those that were right already are left alone.

    Raises
    ------
    InputError
        A file differs and ``remake`` is false, or the folder cannot be made; then nothing at all is
        written.

    Notes
    -----
    Takes some ten seconds and 29 MB. What is planted is listed in ``sample_audio/README.md``.
    """
    folder = Path(folder)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(
            f"The folder for the demo cannot be made: {error.strerror}.",
            where=str(folder),
            remedy="Choose a folder that you may write to.",
        ) from error
    wanted = _contents(watch)
    right = {name for name, data in wanted.items() if _holds(folder / name, data)}
    if not remake:
        for name in wanted:
            if name not in right and (folder / name).exists():
                raise InputError(
                    "A file of the demo is there already and differs; nothing was written.",
                    where=str(folder / name),
                    remedy="Choose an empty folder, or ask for the demo to be remade.",
                )
    for name, data in wanted.items():
        if name not in right:
            path = folder / name
            path.parent.mkdir(parents=True, exist_ok=True)
            part = path.with_name(path.name + ".part")
            part.write_bytes(data)
            part.replace(path)
    return [folder / name for name in wanted]


def _contents(watch: Callable[[int], None] | None = None) -> dict[str, bytes]:
    """Bytes of every file of the demo by its path in the job folder."""
    wanted = {"job.toml": _settings().encode(), "repairs.csv": REPAIRS_CSV.encode()}
    own_files = len(wanted)
    with tempfile.TemporaryDirectory() as scratch:
        path = Path(scratch) / "capture.wav"
        for name, planted in SCENARIO.items():
            write_wav(
                path, planted.sound(), subtype="PCM_16", seed=planted.seed + 1000, overwrite=True
            )
            wanted[name] = path.read_bytes()
            if watch is not None:
                watch(len(wanted) - own_files)
    return wanted


def _holds(path: Path, data: bytes) -> bool:
    return path.is_file() and path.stat().st_size == len(data) and path.read_bytes() == data


def _settings() -> str:
    """Return job.toml, with what the names of its captures cannot say."""
    entries = []
    for name, planted in SCENARIO.items():
        if name.split("/")[1].startswith(("stability", "beating")):
            line = f"power_on_s = -{WARM_S}"
        elif isinstance(planted, Slider) and planted.controls != "level":
            line = f'controls = "{planted.controls}"'
        elif isinstance(planted, Waved) and planted.nominal_duty is not None:
            line = f"nominal_duty = {planted.nominal_duty:g}"
        else:
            continue
        entries.append(f'[captures."{name.removesuffix(".wav")}"]\n{line}\n\n')
    return JOB_TOML.replace("[private]", "".join(entries) + "[private]")


def is_demo(folder: str | os.PathLike[str]) -> bool:
    """Whether the settings in a job's folder are those of the demo, word for word."""
    settings = Path(folder) / "job.toml"
    return settings.is_file() and settings.read_bytes() == _settings().encode()
