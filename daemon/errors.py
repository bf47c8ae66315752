"""Faults that a user can mend, other than in a settings file; each message is one line."""


class DeviceError(Exception):
    """A sound card or controller is missing or refuses; the message says what helps."""


class UsageError(Exception):
    """The command line asks for something impossible."""


class RunError(Exception):
    """The command could not do its work; nothing is left half done."""
