"""A small label for a device: what is on it, and the files it is written to."""
