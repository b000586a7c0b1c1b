"""Sections and charts of stability studies."""
