"""Sounds made and kept by their owner: from recordings, on a page of sliders, at the controller."""
