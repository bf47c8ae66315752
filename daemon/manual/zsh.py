"""Completion for zsh, from the command line's tree: it reads files and starts nothing.

Source: zshcompsys(1), the specifications of ``_arguments``.
"""

import re
import shlex

from daemon.manual.command_tree import Command, Word
from daemon.manual.name_sources import NO_CONTROLLERS, NameSources

_NAMES = r"""#compdef partiald
# Completion of partiald for zsh. Made by `make manuals`: do not edit.

_partiald_sound() {
    local -a names=(@SOUNDS@ @OWN@)
    compadd -a names
}

_partiald_controller() {
    local line
    local -a names match mbegin mend
    [[ -r @CLIENTS@ ]] || return 1
    for line in "${(@f)$(<@CLIENTS@)}"; do
        [[ $line =~ '^Client +[0-9]+ : "(.*)" \[' ]] && names+=("$match[1]")
    done
    names=(${names:#(@NO_CONTROLLERS@)})
    compadd -M 'm:{a-zA-Z}={A-Za-z}' -a names
}

_partiald_card() {
    local line
    local -a names match mbegin mend
    [[ -r @CARDS@ ]] || return 1
    for line in "${(@f)$(<@CARDS@)}"; do
        [[ $line =~ '^ *[0-9]+ \[.*\]: .* - (.*)$' ]] && names+=("$match[1]")
    done
    compadd -M 'm:{a-zA-Z}={A-Za-z}' -a names
}
"""
_TAIL = '\n_partiald "$@"\n'


def zsh(tree: Command, sources: NameSources) -> str:
    """Return the script."""
    patterns = "|".join(each.replace(" ", "\\ ") for each in NO_CONTROLLERS)
    script = sources.put_into(_NAMES, shlex.quote, glob="/*.toml(N:t:r)", NO_CONTROLLERS=patterns)
    return "\n".join([script, *(_function(command) for command in tree.all)]) + _TAIL


def _function(command: Command) -> str:
    specs = [spec for word in (*command.options, *command.operands) for spec in _specs(word)]
    if not command.commands:
        arguments = " \\\n        ".join(["_arguments", *specs])
        return f"{_name(command)}() {{\n    {arguments}\n}}\n"
    arguments = " \\\n        ".join(["_arguments -C", *specs, "'1: :->command'", "'*:: :->rest'"])
    described = "\n".join(
        f"            {shlex.quote(f'{each.words[-1]}:{each.purpose}')}"
        for each in command.commands
    )
    cases = "\n".join(f"        {each.words[-1]}) {_name(each)} ;;" for each in command.commands)
    return f"""{_name(command)}() {{
    local context curcontext="$curcontext" state line
    local -A opt_args
    {arguments}
    case $state in
    command)
        local -a commands=(
{described}
        )
        _describe command commands
        ;;
    rest)
        case $words[1] in
{cases}
        esac
        ;;
    esac
}}
"""


def _name(command: Command) -> str:
    return "__".join(["_partiald", *command.words])


def _specs(word: Word) -> list[str]:
    """Return what `_arguments` needs for an option or an operand."""
    if not word.flags:
        several = "*" if word.many else ""
        return [shlex.quote(f"{several}:{_plain(word.value)}:{_action(word)}")]
    about = f"[{_plain(word.about)}]"
    value = f":{_plain(word.value)}:{_action(word)}" if word.value else ""
    return [shlex.quote(flag + about + value) for flag in word.flags]


def _plain(words: str) -> str:
    return re.sub(r"([\[\]:\\])", r"\\\1", words)


def _action(word: Word) -> str:
    match word.kind:
        case "choice":
            return f"({' '.join(word.choices)})"
        case "file":
            return f'_files -g "*{word.suffix}"' if word.suffix else "_files"
        case "folder":
            return "_files -/"
        case "sound" | "controller" | "card":
            return f"_partiald_{word.kind}"
    return " "
