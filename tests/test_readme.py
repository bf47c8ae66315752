"""What the README, DEVELOPERS.md and the pages of `docs` say is so."""

import re
import shlex
from pathlib import Path

import pytest

from config.library import shipped
from config.settings import Settings
from daemon import command_line

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text("utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text("utf-8")
BOTH = {"README.md": README, "DEVELOPERS.md": DEVELOPERS}
PAGES = BOTH | {
    f"docs/{path.name}": path.read_text("utf-8") for path in sorted((ROOT / "docs").glob("*.md"))
}
FIRST_SCREEN = 45  # lines


def code(page: str) -> list[str]:
    """Every line of the page's code: blocks (the settings file left out) and spans."""
    blocks = re.findall(r"^```(\w*)\n(.*?)^```", page, re.MULTILINE | re.DOTALL)
    prose = re.sub(r"^```.*?^```", "", page, flags=re.MULTILINE | re.DOTALL)
    shell = [block for language, block in blocks if language in ("", "sh")]
    lines = [line.split("#")[0].strip() for block in shell for line in block.splitlines()]
    return lines + re.findall(r"`([^`]+)`", prose)


def calls(page: str) -> list[list[str]]:
    """Every call of our command in the page, word by word, without its own name."""
    found = [shlex.split(line) for line in code(page)]
    words = [line[1:] if line[:1] == ["sudo"] else line for line in found]
    return [line[1:] for line in words if line and Path(line[0]).name == "partiald"]


def make_targets(page: str) -> set[str]:
    return {
        word
        for line in code(page)
        if (words := line.split())[:1] == ["make"]
        for word in words[1:]
        if "=" not in word
    }


def test_the_settings_file_in_the_readme_is_the_default_file() -> None:
    shown = re.search(r"^<!-- settings.*?-->\n```toml\n(.*?)^```", README, re.M | re.S)
    assert shown is not None
    assert shown[1] == (ROOT / "config" / "partiald.toml").read_text("utf-8")


@pytest.mark.parametrize("page", BOTH)
def test_every_call_of_the_command_is_one_the_command_line_takes(page: str) -> None:
    asked = [words for words in calls(BOTH[page]) if words and words != ["COMMAND"]]
    assert asked
    for words in asked:
        assert command_line.parse(words).command == words[0]


def test_every_command_is_in_the_readme() -> None:
    there_are = set(re.findall(r"^  partiald (\w+)", command_line.WELCOME, re.MULTILINE))
    told = {words[0] for words in calls(README) if words} - {"COMMAND"}
    assert there_are == told


@pytest.mark.parametrize("page", BOTH)
def test_every_make_target_in_the_pages_exists(page: str) -> None:
    there_are = set(re.findall(r"^([\w-]+):", (ROOT / "Makefile").read_text("utf-8"), re.MULTILINE))
    asked = make_targets(BOTH[page])
    assert {"test", "bench"} <= asked <= there_are


@pytest.mark.parametrize("page", PAGES)
def test_every_link_in_the_pages_leads_somewhere(page: str) -> None:
    headings = {
        re.sub(r"[^\w -]", "", line.lstrip("# ")).lower().replace(" ", "-")
        for line in PAGES[page].splitlines()
        if line.startswith("#")
    }
    folder = (ROOT / page).parent
    links = re.findall(r"\]\(([^)]+)\)", PAGES[page])
    for link in links:
        assert (link[1:] in headings) if link.startswith("#") else (folder / link).exists()


@pytest.mark.parametrize("page", PAGES)
def test_every_file_of_ours_the_pages_name_exists(page: str) -> None:
    ours = r"(?:config|daemon|voices|systemd|tests|docs)/[\w/.*-]+"
    for name in re.findall(rf"`(?:\S+ )*({ours})`", PAGES[page]):
        assert list(ROOT.glob(name.replace("NAME", "*"))), name


def test_every_shipped_sound_is_in_the_readme_with_its_program_and_its_own_words() -> None:
    shown = re.findall(r"^\| `([\w-]+)` \| (\d+) \| (.*) \|$", README, re.MULTILINE)
    told = {name: (int(program), about) for name, program, about in shown}
    programs = Settings().sound.programs
    assert told == {
        name: (programs.index(name) + 1, sound.about) for name, sound in shipped().items()
    }


def test_the_first_paragraph_names_the_job() -> None:
    first = README.split("\n\n")[1]
    for word in ("single-board computer", "USB MIDI controller", "instrument", "power on"):
        assert word in first


def test_the_first_screen_says_what_to_plug_in_what_to_type_and_to_mind_the_ears() -> None:
    screen = "\n".join(README.splitlines()[:FIRST_SCREEN])
    for word in (
        "You plug in",
        "You hear",
        "make rehearse",
        "make test",
        "apt install make git python3-venv",
        "./.venv/bin/partiald",
        "headphones off",
        "the settings file",
    ):
        assert word in screen


def test_the_map_for_developers_has_a_line_for_every_folder_and_stays_short() -> None:
    lines = DEVELOPERS.splitlines()
    assert len(lines) < 200
    folders = {
        path.parent
        for package in ("config", "daemon", "voices")
        for path in (ROOT / package).rglob("*.py")
    } - {ROOT / "config" / "sounds"}
    for folder in folders:
        name = folder.relative_to(ROOT).as_posix()
        assert [line for line in lines if line.startswith(f"| `{name}/`")], name
