"""One-dimensional series derived from sound, with uncertainty."""
