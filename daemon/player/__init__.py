"""The player process: one life of one sound card."""
