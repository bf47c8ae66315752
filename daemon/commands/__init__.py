"""One module a command of the command line, and what only commands share."""
