"""The notes of a key sweep, the sounds under them, and where each pitch comes to rest."""
