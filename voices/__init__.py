"""Messages in, samples out. Pure: no clock, device, thread, log or file."""
