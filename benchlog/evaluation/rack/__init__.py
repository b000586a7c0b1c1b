"""A qualification in words and curves, for command line, page and screen."""
