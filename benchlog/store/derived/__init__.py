"""What is derived of the readings, block by block, and can be rebuilt from them."""
