"""Two harmonic tones of nearly simple ratio in one sound, by least squares."""
