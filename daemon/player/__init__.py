"""The player process: it owns the sound card and renders."""
