"""Real sockets and pseudo-terminals that simulated instruments are reached by."""
