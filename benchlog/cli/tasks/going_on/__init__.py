"""Going on with what was cut."""
