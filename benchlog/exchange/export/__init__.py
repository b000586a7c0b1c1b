"""A run as a file that other tools can read."""
