"""The program: runs one command, reports a fault in lines a user can act on, sets the exit code.

Exit codes: 0 done, or stopped when asked; 1 failure; 2 wrong usage; 78 a fault in a settings or
sound file. Promise: no traceback, unless PARTIALD_TRACEBACK is set in the environment.
"""

import os

# OpenBLAS reads these once, when numpy is imported; a second thread would only delay the audio.
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ[_name] = "1"

import contextlib  # noqa: E402
import io  # noqa: E402
import signal  # noqa: E402
import sys  # noqa: E402
from collections.abc import Callable, Iterator, Sequence  # noqa: E402
from importlib import import_module  # noqa: E402
from types import ModuleType  # noqa: E402

from daemon.errors import DeviceError, RunError, UsageError  # noqa: E402
from daemon.fault_lines import tell_fault  # noqa: E402

FAILURE, USAGE, SETTINGS = 1, 2, 78
_ENDED_BY_HAND = ("run", "listen", "testtone", "play")
_STOPS = (signal.SIGTERM, signal.SIGINT)

Command = Callable[[], int]

# Debian 13 ships pydantic 2.10, which checks what it makes of each model against a description of
# all it could make; only this variable, which its documentation does not name, leaves that out.
# Importing settings and sounds with 2.10.6 takes 1,113 million instructions (amd64) with the check
# and 930 without; 2.14.4 has no such check, reads nothing of this, and takes 814 either way.
os.environ["PYDANTIC_SKIP_VALIDATING_CORE_SCHEMAS"] = "1"
_PLUGIN_SEARCH = "pydantic.plugin._loader"


def _skip_plugin_search() -> None:
    """Make pydantic look for no plug-ins, which makes every start faster.

    `PYDANTIC_DISABLE_PLUGINS` avoids the search, but not the import of what it searches with. So a
    stand-in replaces the module that does it; whatever else another version of pydantic wants from
    that module comes from the real one.
    """
    os.environ["PYDANTIC_DISABLE_PLUGINS"] = "__all__"
    stand_in = ModuleType(_PLUGIN_SEARCH)
    vars(stand_in).update(get_plugins=tuple, __getattr__=_from_the_real_one)
    sys.modules.setdefault(_PLUGIN_SEARCH, stand_in)


def _from_the_real_one(name: str) -> object:
    if name.startswith("__"):  # what every import asks of a module
        raise AttributeError(name)
    del sys.modules[_PLUGIN_SEARCH]
    return getattr(import_module(_PLUGIN_SEARCH), name)


_skip_plugin_search()


def _chosen(words: Sequence[str]) -> Command:
    if list(words) == ["run"]:
        # As the service is started: there is nothing to read, and nothing is imported to read it.
        from daemon.commands.run import play

        return play
    from daemon import command_line

    return command_line.chosen(words)


def main(
    words: Sequence[str] | None = None, chosen: Callable[[Sequence[str]], Command] = _chosen
) -> int:
    """Run the command line ``words`` (the process's own when None); return the exit code."""
    words = sys.argv[1:] if words is None else words
    _prepare_streams()
    try:
        with _leaving_at_once(words):
            run = chosen(words)
        code = run()
        sys.stdout.flush()
        return code
    except BrokenPipeError:  # the reader has had enough
        _drop_output()
        return 0
    except KeyboardInterrupt:
        return _stopped(words)
    except UsageError as fault:
        return _report(str(fault), USAGE)
    except (DeviceError, RunError) as fault:
        return _report(str(fault), FAILURE)
    except Exception as fault:  # noqa: BLE001 a user gets a line, never a traceback
        return _other(fault)
    finally:
        # The interpreter takes a while to exit, and nothing is left to stop.
        for number in _STOPS:
            signal.signal(number, signal.SIG_IGN)


@contextlib.contextmanager
def _leaving_at_once(words: Sequence[str]) -> Iterator[None]:
    """Let a stop end the process while libraries are imported; later it acts like Ctrl-C.

    They would turn the exception into another one, or lose it; and nothing needs cleaning up yet.
    """

    def leave(*_: object) -> None:
        os._exit(_stopped(words))

    signal.signal(signal.SIGTERM, leave)
    by_hand = signal.getsignal(signal.SIGINT)
    if by_hand is signal.default_int_handler:  # else our caller wants no Ctrl-C here
        signal.signal(signal.SIGINT, leave)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, signal.default_int_handler)
        signal.signal(signal.SIGINT, by_hand)


def _stopped(words: Sequence[str]) -> int:
    """Return the exit code of a stop by hand; say so where something was left undone."""
    if _command(words) in _ENDED_BY_HAND:
        return 0
    return _report("stopped by hand before it was done", FAILURE)


def _command(words: Sequence[str]) -> str:
    """Return which word is the command, before the command line can be read."""
    rest = iter(words)
    for word in rest:
        if word == "--settings":
            next(rest, None)
        elif not word.startswith("-"):
            return word
    return ""


def _prepare_streams() -> None:
    """Make output always writable: a stream may be closed, or lack a character."""
    if sys.stdout is None or sys.stderr is None:
        nowhere = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115 open until the end
        sys.stdout, sys.stderr = sys.stdout or nowhere, sys.stderr or nowhere
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")


def _drop_output() -> None:
    """Discard what is not flushed yet: the interpreter tries once more at exit."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _other(fault: Exception) -> int:
    """Report a fault in a settings file, in the system or in this program."""
    import traceback

    from config.toml.faults import ConfigError

    if isinstance(fault, ConfigError):
        return _report(str(fault), SETTINGS)
    if os.environ.get("PARTIALD_TRACEBACK"):
        traceback.print_exception(fault)
    if isinstance(fault, OSError):
        try:
            sys.stdout.flush()
        except OSError:
            _drop_output()
        what = fault.strerror or str(fault)
        return _report(f"{fault.filename}: {what}" if fault.filename else what, FAILURE)
    frames = traceback.extract_tb(fault.__traceback__)
    where = f" at {os.path.basename(frames[-1].filename)}:{frames[-1].lineno}" if frames else ""
    what = " ".join(str(fault).split())
    return _report(
        f"internal error{where}: {type(fault).__name__}: {what}; PARTIALD_TRACEBACK=1 shows more",
        FAILURE,
    )


def _report(lines: str, code: int) -> int:
    """Tell each line as a fault and return ``code``."""
    for line in lines.split("\n"):
        tell_fault(line)
    return code


if __name__ == "__main__":
    sys.exit(main())
