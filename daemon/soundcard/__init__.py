"""Sound cards: which there are, their mixers, the open stream."""
