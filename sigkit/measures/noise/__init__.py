"""Idle noise: floor, mains hum and ripple of an instrument on which nothing plays."""

from sigkit.measures.noise.measure import measure_noise

__all__ = ["measure_noise"]
