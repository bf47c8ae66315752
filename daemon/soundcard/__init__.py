"""Sound cards: the list, the choice, their mixers, the output stream."""
