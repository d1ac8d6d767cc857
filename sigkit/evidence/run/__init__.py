"""Measuring and checking captures: one, many, a whole job."""
