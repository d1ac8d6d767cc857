"""What the notebooks show: one bench test of a job at a time, and a school of faults."""
