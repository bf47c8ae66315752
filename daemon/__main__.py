"""The program: one command run, its fault told in lines a user can act on, its exit code.

Exit codes: 0 done, or stopped when asked; 1 failure; 2 wrong usage; 78 a fault in a settings or
sound file. Promise: no traceback, unless PARTIALD_TRACEBACK is set in the environment.
"""

import os

# OpenBLAS reads these once, when numpy is imported: a second thread would only wait in the audio.
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ[_name] = "1"

import contextlib  # noqa: E402
import io  # noqa: E402
import signal  # noqa: E402
import sys  # noqa: E402
from collections.abc import Callable, Iterator, Sequence  # noqa: E402

from daemon.errors import DeviceError, RunError, UsageError  # noqa: E402
from daemon.fast_pydantic import spare_the_search  # noqa: E402

spare_the_search()

FAILURE, USAGE, SETTINGS = 1, 2, 78
_ENDED_BY_HAND = ("run", "listen", "testtone")
_STOPS = (signal.SIGTERM, signal.SIGINT)

Command = Callable[[], int]


def _chosen(words: Sequence[str]) -> Command:
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
    except BrokenPipeError:  # whoever read us has had enough
        _drop_output()
        return 0
    except KeyboardInterrupt:
        return _stopped(words)
    except UsageError as fault:
        return _tell(str(fault), USAGE)
    except (DeviceError, RunError) as fault:
        return _tell(str(fault), FAILURE)
    except Exception as fault:  # noqa: BLE001 a user gets a line, never a traceback
        return _other(fault)
    finally:
        # The interpreter takes a while to leave, and has nothing left to stop.
        for number in _STOPS:
            signal.signal(number, signal.SIG_IGN)


@contextlib.contextmanager
def _leaving_at_once(words: Sequence[str]) -> Iterator[None]:
    """While libraries are imported, have a stop end the process; later it is as Ctrl-C.

    They would make another fault of the exception, or lose it; and nothing is to be cleaned up yet.
    """

    def leave(*_: object) -> None:
        os._exit(_stopped(words))

    signal.signal(signal.SIGTERM, leave)
    by_hand = signal.getsignal(signal.SIGINT)
    if by_hand is signal.default_int_handler:  # else whoever started us wants no Ctrl-C here
        signal.signal(signal.SIGINT, leave)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, signal.default_int_handler)
        signal.signal(signal.SIGINT, by_hand)


def _stopped(words: Sequence[str]) -> int:
    """Return the exit code of a stop by hand, told where something was left undone."""
    if any(word in _ENDED_BY_HAND for word in words):
        return 0
    return _tell("stopped by hand before it was done", FAILURE)


def _prepare_streams() -> None:
    """Have output that can always be written to: none may be open, a letter may be missing."""
    if sys.stdout is None or sys.stderr is None:
        nowhere = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115 open until the end
        sys.stdout, sys.stderr = sys.stdout or nowhere, sys.stderr or nowhere
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")


def _drop_output() -> None:
    """Lead what is still to be flushed into nothing: the interpreter tries once more at exit."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _other(fault: Exception) -> int:
    """Tell a fault of a settings file, of the system or of this program."""
    import traceback

    from config.faults import ConfigError

    if isinstance(fault, ConfigError):
        return _tell(str(fault), SETTINGS)
    if os.environ.get("PARTIALD_TRACEBACK"):
        traceback.print_exception(fault)
    if isinstance(fault, OSError):
        try:
            sys.stdout.flush()
        except OSError:
            _drop_output()
        what = fault.strerror or str(fault)
        return _tell(f"{fault.filename}: {what}" if fault.filename else what, FAILURE)
    frames = traceback.extract_tb(fault.__traceback__)
    where = f" at {os.path.basename(frames[-1].filename)}:{frames[-1].lineno}" if frames else ""
    what = " ".join(str(fault).split())
    return _tell(
        f"a mistake of partiald's own{where}: {type(fault).__name__}: {what}; "
        "PARTIALD_TRACEBACK=1 shows more",
        FAILURE,
    )


def _tell(lines: str, code: int) -> int:
    """Write each line to stderr behind our name and return ``code``."""
    for line in lines.splitlines():
        sys.stderr.write(f"partiald: {line}\n")
    return code


if __name__ == "__main__":
    sys.exit(main())
