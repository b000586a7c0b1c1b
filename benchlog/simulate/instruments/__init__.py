"""Simulated instruments: what they answer, and how they misbehave."""
