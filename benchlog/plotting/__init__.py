"""Charts for terminal, command line and pages: braille dots and vector pictures."""
