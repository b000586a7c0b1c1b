"""Readings taken in turns: each turn one value, with dead time up to the next."""
