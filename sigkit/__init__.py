"""sigkit: measures recorded bench tests of analogue keyboard synthesizers."""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sigkit.captures.cues.read import Cue, read_cue
    from sigkit.captures.cues.track import make_cue
    from sigkit.captures.parts import join_parts
    from sigkit.captures.record import record_capture
    from sigkit.captures.wav import Capture, open_capture
    from sigkit.errors import InputError, SigkitError, SignalError
    from sigkit.evidence.evidence import Evidence
    from sigkit.evidence.job.folder import Job, open_job
    from sigkit.evidence.logs.repair_log import log_repair
    from sigkit.evidence.manifest import Verification, verify
    from sigkit.evidence.run.checks import CaptureChecks, check_captures
    from sigkit.measures.beating import measure_beating
    from sigkit.measures.envelope import measure_envelope
    from sigkit.measures.glide import measure_glide
    from sigkit.measures.keyboard import measure_keyboard
    from sigkit.measures.noise import measure_noise
    from sigkit.measures.slider import measure_slider
    from sigkit.measures.stability import measure_stability
    from sigkit.measures.warmup import measure_warmup
    from sigkit.measures.waveform import measure_waveform
    from sigkit.notebook.bench import Bench
    from sigkit.notebook.opening import open_bench
    from sigkit.notebook.school import plant_fault
    from sigkit.quantity import Quantity
    from sigkit.tracks.level import track_level
    from sigkit.tracks.pitch import PitchTrack, track_pitch

__version__ = "0.1.0"

__all__ = [
    "Bench",
    "Capture",
    "CaptureChecks",
    "Cue",
    "Evidence",
    "InputError",
    "Job",
    "PitchTrack",
    "Quantity",
    "SigkitError",
    "SignalError",
    "Verification",
    "check_captures",
    "join_parts",
    "log_repair",
    "make_cue",
    "measure_beating",
    "measure_envelope",
    "measure_glide",
    "measure_keyboard",
    "measure_noise",
    "measure_slider",
    "measure_stability",
    "measure_warmup",
    "measure_waveform",
    "open_bench",
    "open_capture",
    "open_job",
    "plant_fault",
    "read_cue",
    "record_capture",
    "track_level",
    "track_pitch",
    "verify",
]

_HOMES = {
    "Bench": "notebook.bench",
    "Capture": "captures.wav",
    "CaptureChecks": "evidence.run.checks",
    "Cue": "captures.cues.read",
    "Evidence": "evidence.evidence",
    "InputError": "errors",
    "Job": "evidence.job.folder",
    "PitchTrack": "tracks.pitch",
    "Quantity": "quantity",
    "SigkitError": "errors",
    "SignalError": "errors",
    "Verification": "evidence.manifest",
    "check_captures": "evidence.run.checks",
    "log_repair": "evidence.logs.repair_log",
    "join_parts": "captures.parts",
    "make_cue": "captures.cues.track",
    "measure_beating": "measures.beating",
    "measure_envelope": "measures.envelope",
    "measure_glide": "measures.glide",
    "measure_keyboard": "measures.keyboard",
    "measure_noise": "measures.noise",
    "measure_slider": "measures.slider",
    "measure_stability": "measures.stability",
    "measure_warmup": "measures.warmup",
    "measure_waveform": "measures.waveform",
    "open_bench": "notebook.opening",
    "open_capture": "captures.wav",
    "open_job": "evidence.job.folder",
    "plant_fault": "notebook.school",
    "record_capture": "captures.record",
    "read_cue": "captures.cues.read",
    "track_level": "tracks.level",
    "track_pitch": "tracks.pitch",
    "verify": "evidence.manifest",
}
"""Where each public name lives; it is imported when first asked for (PEP 562)."""


def __getattr__(name: str) -> object:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = getattr(importlib.import_module(f"sigkit.{_HOMES[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
