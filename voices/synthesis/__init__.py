"""Partials to samples."""
