"""Readings that come many at once: accepted, queued, committed and judged as arrays."""
