"""Trimming a line of chips: opened, carried out, told."""
