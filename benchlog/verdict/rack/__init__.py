"""A rack taken through a sequence: what is set, and what is found of the devices."""
