"""Stability against averaging time: deviations, their noise, their intervals."""
