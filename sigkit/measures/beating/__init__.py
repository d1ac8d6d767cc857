"""Two oscillators sounding together: both pitches, how fast they beat, and whether they lock."""

from sigkit.measures.beating.measure import measure_beating

__all__ = ["measure_beating"]
