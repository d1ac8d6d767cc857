"""The commands of ``sigkit``, one file each, and what they share."""
