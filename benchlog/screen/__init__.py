"""The live terminal screens."""
