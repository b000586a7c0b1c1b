"""Limits, uncertainty budget and the decision; no I/O."""
