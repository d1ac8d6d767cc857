"""Glide (portamento): how long each change of note takes, by which law, and how it lands."""

from sigkit.measures.glide.measure import measure_glide

__all__ = ["measure_glide"]
