"""What is known of a run: the store read, judged, and put into words."""
