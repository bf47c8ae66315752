"""The keeper process: everything that may block."""
