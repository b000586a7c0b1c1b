"""What commands carry out: a run, a lot, a soak, a reference check; and their words."""
