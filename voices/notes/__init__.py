"""Which notes sound, and what became of each."""
