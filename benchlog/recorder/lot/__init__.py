"""A lot, device after device, at one place or several."""
