"""sigkit: measures recorded bench tests of analogue keyboard synthesizers."""

from sigkit.captures.wav import Capture, open_capture
from sigkit.errors import InputError, SigkitError, SignalError
from sigkit.measures.stability import measure_stability
from sigkit.measures.warmup import measure_warmup
from sigkit.quantity import Quantity
from sigkit.tracks.level import track_level
from sigkit.tracks.pitch import PitchTrack, track_pitch

__version__ = "0.1.0"

__all__ = [
    "Capture",
    "InputError",
    "PitchTrack",
    "Quantity",
    "SigkitError",
    "SignalError",
    "measure_stability",
    "measure_warmup",
    "open_capture",
    "track_level",
    "track_pitch",
]
