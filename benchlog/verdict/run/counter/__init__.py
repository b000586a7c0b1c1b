"""What readings show of the counter that made them: digits, dead time, weights."""
