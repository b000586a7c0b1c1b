"""Instrument processes: start, hear, bound, end, restart."""
