"""Stability studies: devices measured together, stability over time; their words."""
