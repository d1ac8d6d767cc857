"""Signals of exactly known truth, for the demo and the tests."""
