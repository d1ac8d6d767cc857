"""Notes and quiet, hum, and the carrier with the envelope on it."""
