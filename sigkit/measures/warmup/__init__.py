"""Warm-up drift: how far and how long the pitch moves after switch-on, and whether it settled."""

from sigkit.measures.warmup.measure import measure_warmup

__all__ = ["measure_warmup"]
