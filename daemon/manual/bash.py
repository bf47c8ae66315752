"""Completion for bash, from the command line's tree: it reads files and starts nothing.

Source: the manual of bash, Programmable Completion.
"""

import shlex
from collections.abc import Iterable

from daemon.manual.command_tree import Command, Word
from daemon.manual.name_sources import NO_CONTROLLERS, NameSources

_SCRIPT = r"""# Completion of partiald for bash. Made by `make manuals`: do not edit.

# The names there are of a kind, one a line.
_partiald_names() { # sound|controller|card
    local line
    case $1 in
    sound)
        printf '%s\n' @SOUNDS@
        for line in @OWN@; do
            line=${line##*/}
            [[ $line == '*.toml' ]] || printf '%s\n' "${line%.toml}"
        done
        ;;
    controller)
        while IFS= read -r line; do
            [[ $line =~ ^Client\ +[0-9]+\ :\ \"(.*)\"\ \[ ]] || continue
            case ${BASH_REMATCH[1]} in
            @NO_CONTROLLERS@) ;;
            *) printf '%s\n' "${BASH_REMATCH[1]}" ;;
            esac
        done <@CLIENTS@
        ;;
    card)
        while IFS= read -r line; do
            [[ $line =~ ^\ *[0-9]+\ \[.*\]:\ .*\ -\ (.*)$ ]] && printf '%s\n' "${BASH_REMATCH[1]}"
        done <@CARDS@
        ;;
    esac 2>/dev/null
}

# What may stand behind a command ($path, $operands words of its own) and an option of it ($1).
_partiald_table() {
    options=
    commands=
    kind=
    case $path in
@COMMANDS@
    esac
    case $path:$operands in
@OPERANDS@
    esac
    case $path:$1 in
@VALUES@
    *) value= ;;
    esac
}

_partiald() {
    local current=${COMP_WORDS[COMP_CWORD]} path='' options commands kind value
    local word name names quote='' waiting=''
    local -i at operands=0
    COMPREPLY=()
    for ((at = 1; at < COMP_CWORD; at++)); do
        word=${COMP_WORDS[at]}
        if [[ $word == '=' ]]; then
            continue
        elif [[ $waiting ]]; then
            waiting=
            continue
        fi
        _partiald_table "$word"
        if [[ $word == -* ]]; then
            waiting=$value
        elif [[ " $commands " == *" $word "* ]]; then
            path+=" $word"
        else
            operands+=1
        fi
    done
    [[ $current != '=' ]] || current=
    _partiald_table ''
    if [[ $waiting ]]; then
        kind=$waiting
    elif [[ $current == -* ]]; then
        kind="choice $options"
    elif [[ $commands ]] && ((operands == 0)); then
        kind="choice $commands"
    fi
    case $kind in
    choice*) mapfile -t COMPREPLY < <(compgen -W "${kind#choice}" -- "$current") ;;
    file*)
        compopt -o filenames 2>/dev/null
        mapfile -t COMPREPLY < <(
            compgen -f -X "!*${kind#file}" -- "$current"
            compgen -d -- "$current"
        )
        ;;
    folder)
        compopt -o filenames 2>/dev/null
        mapfile -t COMPREPLY < <(compgen -d -- "$current")
        ;;
    sound | controller | card)
        case $current in \"* | \'*) quote=${current:0:1} ;; esac
        current=${current#"$quote"}
        current=${current//\\/}
        mapfile -t names < <(_partiald_names "$kind")
        for name in "${names[@]}"; do
            [[ ${name,,} == "${current,,}"* ]] || continue
            [[ $quote ]] || printf -v name %q "$name"
            COMPREPLY+=("$name")
        done
        ;;
    esac
}

complete -F _partiald partiald
"""


def bash(tree: Command, sources: NameSources) -> str:
    """Return the script."""
    return sources.put_into(
        _SCRIPT,
        shlex.quote,
        NO_CONTROLLERS=" | ".join(each.replace(" ", "\\ ") for each in NO_CONTROLLERS),
        COMMANDS="\n".join(map(_command, tree.all)),
        OPERANDS="\n".join(_cases(_operands(tree))),
        VALUES="\n".join(_cases(_values(tree))),
    )


def kind(word: Word) -> str:
    """Return what completes a word: its kind, with the choices or the end of a file's name."""
    match word.kind:
        case "choice":
            return " ".join(["choice", *word.choices])
        case "file":
            return f"file{word.suffix}"
    return word.kind


def _path(command: Command) -> str:
    return "".join(f" {word}" for word in command.words)


def _command(command: Command) -> str:
    options = " ".join([*(flag for option in command.options for flag in option.flags), "--help"])
    commands = " ".join(each.words[-1] for each in command.commands)
    return f"    '{_path(command)}') options='{options}' commands='{commands}' ;;"


def _operands(tree: Command) -> Iterable[tuple[str, str]]:
    for command in tree.all:
        for place, word in enumerate(command.operands):
            where = "*" if word.many else str(place)
            yield f"{_path(command)}:{where}", f"kind='{kind(word)}'"


def _values(tree: Command) -> Iterable[tuple[str, str]]:
    kinds: dict[str, dict[str, str]] = {}
    for command in tree.all:
        for option in command.options:
            if option.value:
                for flag in option.flags:
                    kinds.setdefault(flag, {})[_path(command)] = kind(option)
    for flag, by_path in kinds.items():
        if len(set(by_path.values())) == 1:  # the same wherever it stands
            by_path = {"*": next(iter(by_path.values()))}
        for path, of in by_path.items():
            yield f"{path}:{flag}", f"value='{of}'"


def _cases(cases: Iterable[tuple[str, str]]) -> Iterable[str]:
    """Yield a shell's cases; those with the same consequence are one."""
    found: dict[str, list[str]] = {}
    for pattern, consequence in cases:
        quoted = "*".join(f"'{part}'" if part else "" for part in pattern.split("*"))
        found.setdefault(consequence, []).append(quoted)
    for consequence, patterns in found.items():
        yield f"    {' | '.join(patterns)}) {consequence} ;;"
