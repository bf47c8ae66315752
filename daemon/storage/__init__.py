"""Files that are read and written: settings, what was learned, events."""
