"""A deviation at every averaging factor: what is shared is worked out once."""
