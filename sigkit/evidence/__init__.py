"""A job's stages side by side, hashed to the WAV files."""
