"""What was committed since somebody looked last: rows behind a row, kind by kind."""
