"""The command line: what it says, where it leads, and how every ending is told."""

import os
import re
import shlex
import signal
import subprocess
import sys
from importlib.util import find_spec
from pathlib import Path

import pytest

from daemon import command_line
from daemon.__main__ import main
from daemon.errors import DeviceError, RunError, UsageError
from daemon.usage_parser import Parser, subparsers
from tests.support.command import command, environment, partiald
from tests.support.waiting import wait_until

COMMANDS = (
    "run",
    "rehearse",
    "render",
    "devices",
    "listen",
    "testtone",
    "status",
    "why",
    "play",
    "panic",
    "forget",
    "shape",
    "learn",
    "check",
    "sounds",
    "chart",
)


@pytest.mark.gig
def test_a_bare_call_says_what_to_do_first(tmp_path: Path) -> None:
    done = partiald(cwd=tmp_path)
    assert (done.returncode, done.stderr) == (0, "")
    lines = done.stdout.splitlines()
    assert all(len(line) <= 79 for line in lines)
    first = next(line for line in lines if line.startswith("  partiald"))
    assert first.split()[1] == "rehearse"
    assert partiald("--help", cwd=tmp_path).stdout == done.stdout


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_is_in_the_welcome_and_has_a_module_and_help(
    name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert f"partiald {name}" in command_line.WELCOME
    assert find_spec(f"daemon.commands.{name}") is not None
    with pytest.raises(SystemExit) as ended:
        command_line.parse([name, "--help"])
    assert ended.value.code == 0
    assert "usage: partiald" in capsys.readouterr().out


def every_parser() -> list[Parser]:
    commands = subparsers(command_line.build()).values()
    return [each for parser in commands for each in (parser, *subparsers(parser).values())]


@pytest.mark.parametrize("parser", every_parser(), ids=lambda parser: parser.prog)
def test_the_help_of_every_command_ends_with_an_example_of_it(parser: Parser) -> None:
    example = re.fullmatch(r"Example: (partiald .+)", parser.epilog or "")
    assert example is not None
    assert example[1].startswith(parser.prog)
    command_line.parse(shlex.split(example[1])[1:])


def test_every_option_and_operand_says_what_it_is() -> None:
    for parser in [command_line.build(), *every_parser()]:
        for action in parser._actions:
            assert action.help or action.dest == "command", (parser.prog, action.dest)


def test_the_welcome_names_no_command_that_is_not_there() -> None:
    assert set(re.findall(r"^  partiald (\w+)", command_line.WELCOME, re.MULTILINE)) == set(
        COMMANDS
    )


@pytest.mark.parametrize(
    "words",
    [
        ["polish"],
        ["render"],
        ["render", "song.mid"],
        ["render", "song.mid", "-o"],
        ["rehearse", "loudly"],
        ["sounds", "paint", "sine"],
        ["sounds", "show"],
        ["--volume", "11"],
        ["status", "--jso"],
        ["--settings"],
    ],
)
def test_wrong_usage_is_reported_in_one_line_with_2(
    words: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as ended:
        command_line.parse(words)
    told = capsys.readouterr()
    assert (ended.value.code, told.out) == (2, "")
    assert re.fullmatch(r"partiald: .+[;?] 'partiald.* --help' shows how\n", told.err)


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["statsu"], "no command 'statsu'; did you mean 'status'?"),
        (["sounds", "drew", "sine"], "no command 'drew'; did you mean 'draw'?"),
        (["sounds", "polish"], "no command 'polish'; there are show, draw, hear, keep, from;"),
        (["learn", "volme"], "no target 'volme'; did you mean 'volume'?"),
        (["status", "--jsn"], "no option '--jsn'; did you mean '--json'?"),
        (["--verbose", "run"], "'--verbose' belongs after the command;"),
        (["rehearse", "loudly"], "'loudly' is one word too many;"),
        (["--volume", "11"], "no option '--volume';"),
        (["--jsn", "status"], "no option '--jsn'; did you mean '--json'?"),
        (["forget", "--dry"], "no option '--dry'; did you mean '--dry-run'?"),
        (["sounds", "from", "a.wav", "--kye", "60"], "no option '--kye'; did you mean '--key'?"),
        (["--settings"], "FILE is missing after '--settings';"),
        (["why", "--boot"], "N is missing after '--boot';"),
        (["why", "--boot", "x"], "--boot: 'x' is not a whole number;"),
        (["render"], "SONG.mid and -o OUT.wav are missing;"),
        (["play"], "SONG.mid is missing;"),
        (["status", "--json", "--follow"], "'--json' or '--follow', not both;"),
        (["status", "--json=3"], "'--json' takes no value, and was given '3';"),
        (["st\x1batus"], "no command 'st\\x1batus'; did you mean 'status'?"),
    ],
)
def test_what_is_nearly_right_is_answered_with_what_would_be(
    words: list[str], told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit):
        command_line.parse(words)
    assert capsys.readouterr().err.startswith(f"partiald: {told} 'partiald")


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["learn", "partial"], "which partial, 1 to 128?"),
        (["learn", "partial", "129"], "which partial, 1 to 128?"),
        (["learn", "rank", "33"], "which rank, 1 to 32?"),
        (["learn", "tilt", "3"], "'partiald learn tilt' takes no number"),
        (["learn"], "learn what?"),
    ],
)
def test_learn_names_one_partial_and_only_that(words: list[str], told: str) -> None:
    with pytest.raises(UsageError, match=re.escape(told)):
        command_line.chosen(words)()


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ("shape kazoo --plain --aloud", "no sound 'kazoo'; 'partiald sounds' lists them"),
        ("sounds show kazoo", "no sound 'kazoo'; 'partiald sounds' lists them"),
        ("sounds show tower-bel", "no sound 'tower-bel'; did you mean 'tower-bell'?"),
        ("why --last 0", "--last 0: must be 1 or more"),
        ("render song.mid -o song.mid --force", "song.mid: is the song itself; name another file"),
        ("rehearse --into song.mid", "song.mid: is a file; --into names a folder"),
        (f"play {'x' * 300}", f"{'x' * 300}: can't be read: File name too long"),
        (f"sounds from {'x' * 300}", f"{'x' * 300}: can't be read: File name too long"),
    ],
)
def test_what_names_nothing_that_serves_says_why_and_what_would(
    words: str,
    told: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "song.mid").write_bytes(b"MThd")
    assert main(words.split()) == (1 if "can't" in told or "--into" in told else 2)
    assert capsys.readouterr() == ("", f"partiald: {told}\n")


def test_the_version_goes_where_a_script_reads_it(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        command_line.parse(["--version"])
    assert not ended.value.code
    told = capsys.readouterr()
    assert re.fullmatch(r"partiald (\d+\.\d+\.\d+|\(not installed\))\n", told.out)
    assert told.err == ""


@pytest.mark.parametrize(
    "words",
    [
        ["--settings", "a.toml", "sounds"],
        ["sounds", "--settings", "a.toml"],
        ["sounds", "show", "sine", "--settings", "a.toml"],
    ],
)
def test_the_settings_file_may_stand_before_or_behind_the_command(words: list[str]) -> None:
    assert command_line.parse(words).settings == Path("a.toml")


@pytest.mark.parametrize(
    ("fault", "code", "told"),
    [
        (UsageError("no"), 2, "partiald: no\n"),
        (RunError("no"), 1, "partiald: no\n"),
        (DeviceError("no"), 1, "partiald: no\n"),
        (PermissionError(13, "Permission denied", "x.wav"), 1, "partiald: x.wav: Permission"),
        (
            ValueError("two\nlines"),
            1,
            "partiald: internal error at test_command_line.py:",
        ),
        (KeyboardInterrupt(), 1, "partiald: stopped by hand"),
    ],
)
def test_every_fault_ends_in_one_line_and_its_code(
    fault: BaseException, code: int, told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    def fail() -> int:
        raise fault

    assert main(["render"], lambda _: fail) == code
    lines = capsys.readouterr().err
    assert lines.startswith(told)
    assert lines.count("\n") == 1


@pytest.mark.parametrize(
    ("words", "code"),
    [
        ("run", 0),
        ("listen", 0),
        ("testtone", 0),
        ("--settings render listen", 0),
        ("render run -o out.wav", 1),
        ("--settings run check", 1),
        ("", 1),
    ],
)
def test_only_what_a_stop_alone_can_end_ends_well_by_one(words: str, code: int) -> None:
    def stop() -> int:
        raise KeyboardInterrupt

    assert main(words.split(), lambda _: stop) == code


@pytest.mark.gig
@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM])
@pytest.mark.parametrize(
    ("module", "words", "code"),
    [
        ("pydantic", ["render", "song.mid", "-o", "out.wav"], 1),
        ("numpy", ["render", "song.mid", "-o", "out.wav"], 1),
        ("numpy", ["testtone"], 0),
    ],
)
def test_a_stop_while_libraries_are_imported_ends_it_quietly(
    how: signal.Signals, module: str, words: list[str], code: int, tmp_path: Path
) -> None:
    """Also where a library makes another fault of the interruption, as classes of Python 3.11 do
    whose members have a ``__set_name__``."""
    (tmp_path / f"{module}.py").write_text(
        "import time\n"
        "class Member:\n"
        "    def __set_name__(self, owner, name):\n"
        "        open('begun', 'w').close()\n"
        "        for _ in range(6000):\n"  # a signal just before a sleep does not end it
        "            time.sleep(0.01)\n"
        "class Owner:\n"
        "    member = Member()\n"
    )
    process = subprocess.Popen(
        command(*words),
        cwd=tmp_path,
        env=environment(front=tmp_path),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler),
    )
    wait_until((tmp_path / "begun").exists, timeout_s=20.0)
    process.send_signal(how)
    out, err = process.communicate(timeout=20)
    told = "partiald: stopped by hand before it was done\n" if code else ""
    assert (process.returncode, out, err) == (code, "", told)


@pytest.mark.gig
def test_a_reader_that_leaves_early_is_no_fault(tmp_path: Path) -> None:
    reading, writing = os.pipe()
    os.close(reading)
    done = subprocess.run(
        command("sounds", "show", "flat64"),
        cwd=tmp_path,
        env=environment(),
        stdout=writing,
        stderr=subprocess.PIPE,
        check=False,
    )
    os.close(writing)
    assert (done.returncode, done.stderr) == (0, b"")


@pytest.mark.gig
def test_a_full_disk_behind_the_output_is_reported_once(tmp_path: Path) -> None:
    with open("/dev/full", "w") as full:
        done = subprocess.run(
            command(),
            cwd=tmp_path,
            env=environment(),
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    assert (done.returncode, done.stderr) == (1, "partiald: No space left on device\n")


@pytest.mark.gig
def test_letters_the_terminal_lacks_are_replaced(tmp_path: Path) -> None:
    done = partiald("sounds", cwd=tmp_path, PYTHONIOENCODING="ascii")
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.gig
def test_numpy_gets_one_thread_before_it_is_imported(tmp_path: Path) -> None:
    script = (
        "import os, sys; import daemon.__main__;"
        "print(os.environ['OPENBLAS_NUM_THREADS'], os.environ['OMP_NUM_THREADS'],"
        "'numpy' in sys.modules)"
    )
    done = subprocess.run(
        [*command()[:1], "-c", script],
        cwd=tmp_path,
        env=environment(OPENBLAS_NUM_THREADS="7"),
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.split() == ["1", "1", "False"]


@pytest.mark.gig
def test_as_the_service_is_started_nothing_is_imported_to_read_its_one_word() -> None:
    program = (
        "import sys; from daemon.__main__ import _chosen; chosen = _chosen(['run'])\n"
        "sys.stdout.write(f'{chosen.__name__} {chosen.__defaults__} {chosen.__kwdefaults__}')\n"
        "assert not {'argparse', 'daemon.command_line'} & set(sys.modules)\n"
    )
    run = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True)
    assert run.stderr == ""
    arguments = command_line.parse(["run"])
    assert run.stdout == f"play {(arguments.settings,)} {{'verbose': {arguments.verbose}}}"
