"""What the README, DEVELOPERS.md and the pages of `docs` say is so."""

import re
import shlex
from pathlib import Path

import pytest
from PIL import Image

from config.library import shipped
from config.settings import Settings
from daemon import command_line
from daemon.drawing import performance_picture, sound_sheet

ROOT = Path(__file__).parent.parent
PAGES = {
    path.relative_to(ROOT).as_posix(): path.read_text("utf-8")
    for path in [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").glob("*.md"))]
}
README, DEVELOPERS = PAGES["README.md"], PAGES["DEVELOPERS.md"]
FIRST_SCREEN = 45  # lines
LONGEST = 300  # lines
SECTIONS = [
    "Try it",
    "From a blank card to the first note",
    "Nothing to hear?",
    "Sounds",
    "Knobs and keys",
    "Settings",
    "Commands",
    "A class of ten",
    "Cautions",
    "More pages",
]
FROM_INSIDE = {"keeper", "callback", "daemon", "numpy", "deadline", "underflow", "voice", "voices"}


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


def make_calls(page: str) -> list[list[str]]:
    """Return the words behind ``make`` of each call on the page."""
    found = [re.sub(r" +#.*", "", line).removeprefix("sudo ").split() for line in code(page)]
    return [words[1:] for words in found if words[:1] == ["make"]]


def anchors(page: str) -> set[str]:
    """Return what a link into the page may end with."""
    return {
        re.sub(r"[^\w -]", "", line.lstrip("# ")).lower().replace(" ", "-")
        for line in PAGES[page].splitlines()
        if line.startswith("#")
    }


def test_the_page_of_settings_shows_the_default_file() -> None:
    page = PAGES["docs/settings.md"]
    shown = re.search(r"^<!-- settings.*?-->\n```toml\n(.*?)^```", page, re.M | re.S)
    assert shown is not None
    assert shown[1] == (ROOT / "config" / "partiald.toml").read_text("utf-8")


@pytest.mark.parametrize("page", PAGES)
def test_every_call_of_the_command_is_one_the_command_line_takes(page: str) -> None:
    asked = [words for words in calls(PAGES[page]) if words and words != ["COMMAND"]]
    assert asked or page.startswith("docs/")
    for words in asked:
        assert command_line.parse(words).command == words[0]


def test_every_command_is_in_the_readme() -> None:
    there_are = set(re.findall(r"^  partiald (\w+)", command_line.WELCOME, re.MULTILINE))
    told = {words[0] for words in calls(README) if words} - {"COMMAND"}
    assert there_are == told


@pytest.mark.parametrize("page", PAGES)
def test_every_make_target_in_the_pages_exists_and_takes_what_is_given_to_it(page: str) -> None:
    makefile = (ROOT / "Makefile").read_text("utf-8")
    rules = dict(re.findall(r"^([\w-]+):(.*\n(?:\t.*\n)*)", makefile, re.MULTILINE))
    for words in make_calls(PAGES[page]):
        targets = [word for word in words if "=" not in word]
        assert set(targets) <= set(rules), words
        for name in (word.split("=")[0] for word in words if "=" in word):
            assert all(f"$({name})" in rules[target] for target in targets), words


def test_the_pages_name_the_targets_that_their_readers_need() -> None:
    needed = {
        "README.md": {"rehearse", "test"},
        "DEVELOPERS.md": {"test", "bench"},
        "docs/measurements.md": {"bench"},
        "docs/installing.md": {"deb", "stick"},
    }
    for page, targets in needed.items():
        assert targets <= {words[0] for words in make_calls(PAGES[page])}


@pytest.mark.parametrize("page", PAGES)
def test_every_link_in_the_pages_leads_somewhere(page: str) -> None:
    for link in re.findall(r"\]\(([^)]+)\)", PAGES[page]):
        name, _, anchor = link.partition("#")
        target = (ROOT / page).parent.joinpath(name).resolve() if name else ROOT / page
        assert target.is_file(), link
        assert not anchor or anchor in anchors(target.relative_to(ROOT).as_posix()), link


@pytest.mark.parametrize("page", PAGES)
def test_every_file_of_ours_the_pages_name_exists(page: str) -> None:
    ours = r"(?:config|daemon|voices|systemd|tests|docs)/[\w/.*-]+"
    for name in re.findall(rf"`(?:\S+ )*({ours})`", PAGES[page]):
        assert list(ROOT.glob(name.replace("NAME", "*"))), name


def test_every_shipped_sound_is_on_the_page_of_sounds_with_its_program_and_its_own_words() -> None:
    page = PAGES["docs/sounds.md"]
    shown = re.findall(r"^\| `([\w-]+)` \| (\d+) \| (.*) \|$", page, re.MULTILINE)
    told = {name: (int(program), about) for name, program, about in shown}
    programs = Settings().sound.programs
    assert told == {
        name: (programs.index(name) + 1, sound.about) for name, sound in shipped().items()
    }


def test_the_first_paragraph_names_the_job() -> None:
    first = README.split("\n\n")[1]
    for word in ("single-board computer", "USB MIDI controller", "instrument", "power on"):
        assert word in first


def test_the_first_commands_are_a_rehearsal_and_the_tests() -> None:
    block = re.search(r"^```sh\n(.*?)^```", README, re.MULTILINE | re.DOTALL)
    assert block is not None
    first = [line.split("#")[0].strip() for line in block[1].splitlines()]
    assert first == ["make rehearse", "make test"]


def test_the_readme_is_for_those_who_play_and_stays_short() -> None:
    assert len(README.splitlines()) < LONGEST
    assert re.findall(r"^## (.*)$", README, re.MULTILINE) == SECTIONS
    contents = README.split("**On this page:**")[1].split("\n\n")[0]
    assert re.findall(r"\[(.*?)\]", contents) == SECTIONS
    assert not {word for word in FROM_INSIDE if re.search(rf"\b{word}\b", README)}


def test_every_page_and_picture_is_reached_from_the_readme() -> None:
    told = set(re.findall(r"\]\((docs/[^)#]+)", README))
    assert told == {
        path.relative_to(ROOT).as_posix() for path in (ROOT / "docs").iterdir() if path.is_file()
    }


@pytest.mark.parametrize(
    ("name", "command", "size"),
    [
        (
            "rehearsal.png",
            "partiald rehearse",
            (performance_picture.WIDTH, performance_picture.HEIGHT),
        ),
        ("sounds.png", "partiald sounds draw --all", sound_sheet.size(len(shipped()))),
    ],
)
def test_a_picture_is_the_one_that_its_command_draws(
    name: str, command: str, size: tuple[int, int]
) -> None:
    """If not: `make pictures`."""
    with Image.open(ROOT / "docs" / name) as picture:
        assert picture.info["Source"] == command
        assert picture.size == size


def test_the_sheet_in_the_readme_is_of_the_sounds_there_are() -> None:
    """If not: `make pictures`."""
    with Image.open(ROOT / "docs/sounds.png") as picture:
        assert picture.info["Description"].split() == list(shipped())


def test_the_pictures_are_small() -> None:
    pictures = list((ROOT / "docs").glob("*.png"))
    assert len(pictures) > 1
    assert sum(picture.stat().st_size for picture in pictures) < 1_000_000


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
