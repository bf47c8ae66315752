"""The faults a user can mend, other than in a settings file: each message is one line."""


class DeviceError(Exception):
    """A sound card or controller is missing or refuses; the message is one line with a remedy."""


class UsageError(Exception):
    """The command line asks for something that cannot be; the message is one line."""


class RunError(Exception):
    """The command could not do its work; the message is one line, and nothing is half done."""
