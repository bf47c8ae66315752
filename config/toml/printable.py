"""Text from strangers, made printable.

Devices, files and programs name themselves, and a terminal or a journal would obey some characters:
escapes, bells, controls that turn the direction of writing, line breaks.
"""


def printable(text: str) -> str:
    """Return a text in one line, with an escape for each character that is not printable."""
    return "".join(each if each.isprintable() else ascii(each)[1:-1] for each in text)
