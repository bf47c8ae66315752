"""Playing in virtual time: MIDI files in, WAV files out."""
