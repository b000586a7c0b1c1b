"""What a person types: one file per command, loaded when typed."""
