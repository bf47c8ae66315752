"""Completion: what bash really offers, with no program to start, and what the others are told."""

import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from config.library import shipped
from daemon.manual.bash import bash
from daemon.manual.command_tree import Command, tree
from daemon.manual.fish import fish
from daemon.manual.name_sources import NameSources, on_the_system
from daemon.manual.zsh import zsh

CLIENTS = """\
Client info
  cur  clients : 5

Client   0 : "System" [Kernel Legacy]
  Port   0 : "Timer" (Rwe-) [In/Out]
Client  14 : "Midi Through" [Kernel Legacy]
  Port   0 : "Midi Through Port-0" (RWe-) [In/Out]
Client  20 : "Cargo Bike Keys 25" [Kernel Legacy]
  Port   0 : "Cargo Bike Keys 25 MIDI 1" (RWeX) [In/Out]
Client  24 : "Bell Pedals" [Kernel Legacy]
  Port   0 : "Bell Pedals MIDI 1" (RWeX) [In/Out]
Client 128 : "partiald" [User Legacy]
"""
CARDS = """\
 0 [Headphones     ]: bcm2835_headpho - bcm2835 Headphones
                      bcm2835 Headphones
 1 [Box            ]: USB-Audio - Market Box
                      Organ Works Market Box at usb-1.2, full speed
"""


@pytest.fixture
def sources(tmp_path: Path) -> NameSources:
    folder = tmp_path / "sounds of the owner"
    folder.mkdir()
    (folder / "my-bell.toml").touch()
    (tmp_path / "clients").write_text(CLIENTS)
    (tmp_path / "cards").write_text(CARDS)
    names = ("tower-bell", "hand-bell", "sine")
    return NameSources((tmp_path / "none", folder), tmp_path / "clients", tmp_path / "cards", names)


def offered(sources: NameSources, *words: str, folder: Path = Path("/")) -> list[str]:
    """Return what bash offers for the last word; it finds no program that it could start."""
    script = bash(tree(), sources) + (
        'COMP_WORDS=(partiald "$@") COMP_CWORD=$#\n_partiald\n'
        '((${#COMPREPLY[@]} == 0)) || printf "%s\\n" "${COMPREPLY[@]}"\n'
    )
    done = subprocess.run(
        ["/bin/bash", "--norc", "-c", script, "bash", *words],
        capture_output=True,
        cwd=folder,
        env={"PATH": "/nowhere"},
        text=True,
        check=True,
    )
    assert done.stderr == ""
    return sorted(done.stdout.splitlines())


@pytest.mark.gig
@pytest.mark.parametrize(
    ("words", "names"),
    [
        (["reh"], ["rehearse"]),
        (["--set"], ["--settings"]),
        (["sounds", "sho"], ["show"]),
        (["sounds", "--js"], ["--json"]),
        (["sounds", "--json", "dra"], ["draw"]),
        (["status", "--fol"], ["--follow"]),
        (["learn", "til"], ["tilt"]),
        (["learn", "partial", ""], []),
        (["sounds", "show", "t"], ["tower-bell"]),
        (["sounds", "show", "my"], ["my-bell"]),
        (["sounds", "show", "sine", ""], []),
        (["sounds", "draw", "--force", "S"], ["sine"]),
        (["render", "--sound", "h"], ["hand-bell"]),
        (["render", "--sound", "=", "h"], ["hand-bell"]),
        (["render", "--sound", "="], ["tower-bell", "hand-bell", "sine", "my-bell"]),
        (["--settings", "a.toml", "stat"], ["status"]),
        (["listen", "--controller", ""], ["Cargo\\ Bike\\ Keys\\ 25", "Bell\\ Pedals"]),
        (["listen", "--controller", "cargo\\ b"], ["Cargo\\ Bike\\ Keys\\ 25"]),
        (["listen", "--controller", "'Bell P"], ["Bell Pedals"]),
        (["testtone", "--device", '"Mar'], ["Market Box"]),
        (["why", "--boot", ""], []),
        (["nonsense", "x"], []),
    ],
    ids=" ".join,
)
def test_bash_offers_what_there_is(
    words: list[str], names: list[str], sources: NameSources
) -> None:
    assert offered(sources, *words) == sorted(names)


@pytest.mark.gig
def test_bash_offers_files_by_what_they_are_for(sources: NameSources, tmp_path: Path) -> None:
    for name in ("waltz.mid", "waltz.wav", "partiald.toml"):
        (tmp_path / name).touch()
    folder = "sounds of the owner"
    assert offered(sources, "render", "", folder=tmp_path) == [folder, "waltz.mid"]
    assert offered(sources, "render", "-o", "w", folder=tmp_path) == ["waltz.wav"]
    several = offered(sources, "sounds", "from", "a.wav", "b.wav", "w", folder=tmp_path)
    assert several == ["waltz.wav"]
    assert "partiald.toml" in offered(sources, "check", "", folder=tmp_path)
    assert offered(sources, "rehearse", "--into", "", folder=tmp_path) == [folder]


@pytest.mark.gig
def test_on_a_board_without_sound_hardware_bash_offers_nothing_and_says_nothing(
    tmp_path: Path,
) -> None:
    nothing = NameSources((tmp_path / "none",), tmp_path / "no clients", tmp_path / "no cards")
    assert offered(nothing, "listen", "--controller", "") == []
    assert offered(nothing, "testtone", "--device", "") == []


@pytest.mark.gig
def test_shellcheck_finds_nothing_to_say_against_the_script() -> None:
    script = bash(tree(), on_the_system())
    done = subprocess.run(
        ["shellcheck", "--shell=bash", "-"],
        input=script,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.stdout == ""


@pytest.mark.parametrize("shell", [bash, fish, zsh], ids=lambda shell: shell.__name__)
def test_every_command_option_and_sound_is_in_the_script(
    shell: Callable[[Command, NameSources], str],
) -> None:
    script = shell(tree(), on_the_system())
    for command in tree().all:
        words = [*command.words, *(word for option in command.options for word in option.flags)]
        for word in words:
            assert (f"-l {word[2:]}" if shell is fish and word[:2] == "--" else word) in script or (
                f"-s {word[1:]}" in script
            )
    assert all(name in script for name in shipped())
    assert "@" not in script.replace('"$@"', "").replace("{(@f)", "").replace("[@]}", "")
