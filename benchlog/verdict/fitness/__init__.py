"""What a source is good for: its worst case against what a use tolerates."""
