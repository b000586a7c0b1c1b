"""Pulse stamps: the grid they lie on, two trains compared, the slope of time errors."""
