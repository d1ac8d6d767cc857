"""The cue track: beeps for both hands, written and read back from a channel of a capture."""
