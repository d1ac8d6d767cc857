"""Pitch stability of a held note: offset, spread, drift, wander, jitter, jumps, Allan deviation."""

from sigkit.measures.stability.measure import measure_stability

__all__ = ["measure_stability"]
