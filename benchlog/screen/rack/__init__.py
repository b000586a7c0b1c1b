"""A rack at a glance, and one device's characteristic as it grows."""
