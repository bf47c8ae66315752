"""What each MIDI message means."""
