"""sigkit: measures recorded bench tests of analogue keyboard synthesizers."""

from sigkit.captures.wav import Capture, open_capture
from sigkit.errors import InputError, SigkitError, SignalError
from sigkit.quantity import Quantity

__version__ = "0.1.0"

__all__ = [
    "Capture",
    "InputError",
    "Quantity",
    "SigkitError",
    "SignalError",
    "open_capture",
]
