"""The mix and the ceiling."""
