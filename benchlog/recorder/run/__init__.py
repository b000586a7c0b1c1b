"""One run in the making: from a sample to a committed reading."""
