"""What a recorded note is made of: pitch, partials, rise, decay, noise. Not for the audio path."""
