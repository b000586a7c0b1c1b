"""What is told to a person who is not there: alarms, and letters that carry them."""
