"""Limits, before against after, likely causes."""
