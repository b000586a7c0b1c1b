"""What a bench has committed, sent on to a central database."""
