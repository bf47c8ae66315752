"""Controllers: their ports, their messages, their state."""
