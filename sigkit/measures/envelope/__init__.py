"""Envelope: attack, decay, sustain and release of every note, by the sound or by a key."""

from sigkit.measures.envelope.measure import measure_envelope

__all__ = ["measure_envelope"]
