"""Sound in: WAV captures, whether they are fit to measure, and recording."""
