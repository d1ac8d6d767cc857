"""The commands of ``sigkit`` beyond evidence, demo and verify, one file each."""
