"""A lot on the screen: what to do next, the verdict in large letters."""
