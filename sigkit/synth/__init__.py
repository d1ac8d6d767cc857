"""Signals of exactly known truth, for the demo and the tests."""

from sigkit.synth.oscillators import Oscillator, dbfs, rms, stream, tone
from sigkit.synth.sound import Sound, quantise, write_blocks, write_wav

__all__ = [
    "Oscillator",
    "Sound",
    "dbfs",
    "quantise",
    "rms",
    "stream",
    "tone",
    "write_blocks",
    "write_wav",
]
