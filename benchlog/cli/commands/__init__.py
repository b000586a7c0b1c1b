"""One file per command, imported when it is typed."""
