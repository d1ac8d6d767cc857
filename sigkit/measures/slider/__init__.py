"""Slider pass: bursts, dropouts and pitch jumps of a slider that is moved while a tone sounds."""

from sigkit.measures.slider.measure import measure_slider

__all__ = ["measure_slider"]
