"""What a controller turns out to be, from what it sends."""
