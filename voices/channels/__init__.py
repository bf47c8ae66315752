"""What each channel is set to."""
