"""The manual page of the command, from the parser of its command line."""

from config.layers import BOOT, LEARNED, OWNER
from daemon.manual.command_tree import Command, Word, tree
from daemon.manual.roff import Page, bold, escaped, sentence

_EXITS = {
    "0": "It did what was asked.",
    "1": "It failed; one line says why.",
    "2": "It was called wrongly.",
    "78": "A settings or sound file has a mistake in it, and the command does not go on without.",
}
_FILES = {
    str(OWNER): "Your settings; partiald never writes them.",
    str(LEARNED): "What was learned from the controller: what knobs do, the sound chosen last.",
    str(BOOT): "Settings on the card's boot partition, which any computer with a card reader can "
    "edit. They win over the other two.",
    "/etc/partiald/sounds/*.toml": "Your sounds, beside those that come with partiald.",
    "/run/partiald": "What the running instrument is asked through, by root and the group "
    "`partiald`.",
}


def command_page(date: str, version: str) -> str:
    """Return partiald(1)."""
    whole = tree()
    page = Page("partiald", 1, "turns a MIDI controller into an instrument", date, version)
    page.section("SYNOPSIS")
    page.item(
        rf"{bold('partiald')} [{bold('--settings')} \fIFILE\fR] \fICOMMAND\fR [\fIargument\fR ...]"
    )
    page.section("DESCRIPTION")
    page.paragraph(
        "`partiald` plays polyphonic additive sounds from a USB MIDI controller, on a single-board "
        "computer without a screen. It finds the controller and the sound card automatically, and "
        "carries on when a cable is pulled out and put back.",
    )
    page.paragraph(
        "Without a command it says what to do first. `rehearse` and `render` need no hardware; "
        "`devices`, `listen` and `testtone` show what is plugged in; `run` is the instrument "
        "itself; `status` and `why` ask it what it does and did.",
    )
    page.section("OPTIONS")
    for option in whole.options:
        page.item(_tag(option), sentence(option.about))
    page.section("COMMANDS")
    for command in whole.all[1:]:
        _add(page, command)
    page.section("EXIT STATUS")
    for code, meaning in _EXITS.items():
        page.item(bold(code), meaning)
    page.section("ENVIRONMENT")
    page.item(bold("PARTIALD_TRACEBACK"), "If it is 1, a failure shows where in the code it was.")
    page.section("FILES")
    for path, meaning in _FILES.items():
        page.item(rf"\fI{escaped(path)}\fR", meaning)
    page.section("CAUTIONS")
    page.paragraph(
        "Loud sound over a long time harms hearing for good. Keep headphones off your ears and the "
        "amplifier turned down at power-on and while anything is plugged in or pulled out. Play "
        "one note, then turn up slowly."
    )
    page.section("SEE ALSO")
    page.paragraph("`partiald.toml`(5), `partiald-sound`(5)")
    return page.text()


def _add(page: Page, command: Command) -> None:
    page.subsection(" ".join(["partiald", *command.words, command.usage]).strip())
    page.paragraph(command.purpose)
    for word in (*command.operands, *command.options):
        if "--settings" not in word.flags:
            page.item(_tag(word), sentence(word.about))
    page.verbatim(command.example)


def _tag(word: Word) -> str:
    flags = ", ".join(bold(flag) for flag in word.flags)
    return " ".join(filter(None, [flags, rf"\fI{escaped(word.value)}\fR" if word.value else ""]))
