"""The wave of a held note: shape, duty cycle, harmonics and distortion."""

from sigkit.measures.waveform.measure import measure_waveform

__all__ = ["measure_waveform"]
