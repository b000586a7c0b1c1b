"""What is known of a counter's time base: checks, their validity, warm-up."""
