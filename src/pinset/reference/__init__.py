"""Cited numbers as data files, a source beside each value."""
