"""Completion for fish, from the command line's tree: it reads files and starts nothing.

Source: the manual of fish, complete(1).
"""

import re
from collections.abc import Iterator

from daemon.manual.command_tree import Command, Word
from daemon.manual.name_sources import NO_CONTROLLERS, NameSources

_NAMES = r"""# Completion of partiald for fish. Made by `make manuals`: do not edit.

function __partiald_sound
    printf '%s\n' @SOUNDS@
    for file in @OWN@
        string replace -r '.*/(.*)\.toml$' '$1' -- $file
    end
end

function __partiald_controller
    test -r @CLIENTS@; or return
    while read -l line
        set -l found (string match -r '^Client +[0-9]+ : "(.*)" \[' -- $line); or continue
        string match -q -r '^(@NO_CONTROLLERS@)$' -- $found[2]; or echo $found[2]
    end <@CLIENTS@
end

function __partiald_card
    test -r @CARDS@; or return
    while read -l line
        set -l found (string match -r '^ *[0-9]+ \[.*\]: .* - (.*)$' -- $line); and echo $found[2]
    end <@CARDS@
end

# Whether the words before this one lead to a command, with so many operands behind it if told.
function __partiald_at
    set -l path
    set -l operands 0
    set -l waiting no
    for word in (commandline -opc)[2..-1]
        if test $waiting = yes
            set waiting no
        else if string match -q -- '-*' $word
            contains -- $word @VALUED@; and set waiting yes
        else if contains -- "$path $word" @PATHS@
            set path "$path $word"
        else
            set operands (math $operands + 1)
        end
    end
    test "$path" = "$argv[1]"; or return 1
    test (count $argv) -lt 2; or test $operands = $argv[2]
end

complete -c partiald -f
complete -c partiald -l help -d 'show help'
"""


def fish(tree: Command, sources: NameSources) -> str:
    """Return the script."""
    valued = {
        flag
        for command in tree.all
        for option in command.options
        if option.value
        for flag in option.flags
    }
    script = sources.put_into(
        _NAMES,
        _quoted,
        NO_CONTROLLERS="|".join(each.replace("*", ".*") for each in NO_CONTROLLERS),
        VALUED=" ".join(sorted(valued)),
        PATHS=" ".join(_quoted(_path(command)) for command in tree.all[1:]),
    )
    return script + "".join(f"{line}\n" for command in tree.all for line in _lines(command))


def _lines(command: Command) -> Iterator[str]:
    path = _path(command)
    for each in command.commands:
        about = _quoted(each.purpose)
        yield f"complete -c partiald -n {_at(path, 0)} -a {each.words[-1]} -d {about}"
    for option in command.options:
        flags = " ".join(
            f"-l {flag[2:]}" if flag.startswith("--") else f"-s {flag[1:]}" for flag in option.flags
        )
        value = f" {_values(option)}" if option.value else ""
        yield f"complete -c partiald -n {_at(path)} {flags}{value} -d {_quoted(option.about)}"
    for place, word in enumerate(command.operands):
        where = _at(path) if word.many else _at(path, place)
        yield f"complete -c partiald -n {where} {_values(word)}"


def _values(word: Word) -> str:
    match word.kind:
        case "choice":
            return f"-x -a {_quoted(' '.join(word.choices))}"
        case "file":
            wanted = f"(__fish_complete_suffix {word.suffix})" if word.suffix else ""
            return f"-k -x -a {_quoted(wanted)}" if wanted else "-r -F"
        case "folder":
            return "-x -a '(__fish_complete_directories)'"
        case "sound" | "controller" | "card":
            return f"-x -a '(__partiald_{word.kind})'"
    return "-x"


def _at(path: str, operands: int | None = None) -> str:
    more = "" if operands is None else f" {operands}"
    return _quoted(f'__partiald_at "{path}"{more}')


def _path(command: Command) -> str:
    return "".join(f" {word}" for word in command.words)


def _quoted(text: str) -> str:
    return "'" + re.sub(r"(['\\])", r"\\\1", text) + "'"
