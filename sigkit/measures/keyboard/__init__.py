"""Keyboard: every key's pitch, dead, bouncing, stuck and unsteady keys, and the scale."""

from sigkit.measures.keyboard.measure import measure_keyboard

__all__ = ["measure_keyboard"]
