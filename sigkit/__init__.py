"""sigkit: measures recorded bench tests of analogue keyboard synthesizers."""

from sigkit.captures.wav import Capture, open_capture
from sigkit.errors import InputError, SigkitError, SignalError
from sigkit.evidence.evidence import Evidence
from sigkit.evidence.job import Job, open_job
from sigkit.evidence.manifest import Verification, verify
from sigkit.measures.slider import measure_slider
from sigkit.measures.stability import measure_stability
from sigkit.measures.warmup import measure_warmup
from sigkit.quantity import Quantity
from sigkit.tracks.level import track_level
from sigkit.tracks.pitch import PitchTrack, track_pitch

__version__ = "0.1.0"

__all__ = [
    "Capture",
    "Evidence",
    "InputError",
    "Job",
    "PitchTrack",
    "Quantity",
    "SigkitError",
    "SignalError",
    "Verification",
    "measure_slider",
    "measure_stability",
    "measure_warmup",
    "open_capture",
    "open_job",
    "track_level",
    "track_pitch",
    "verify",
]
