"""Text files made elsewhere: their layout, and the readings in them."""
