"""The parts that the screens are made of."""
