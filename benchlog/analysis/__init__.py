"""Arrays in, frozen figures out; no I/O and no clock."""
