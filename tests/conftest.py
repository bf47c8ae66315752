"""What several test files share, and the mark `gig`: what starts processes or servers.

All of `tests/gig` and `tests/install` is marked; elsewhere a test marks itself. All others are
pure: they fail as soon as they start a process. Pure ones, long by nature, are marked `slow`.
Pure ones run side by side, the others two at a time, by pytest-xdist: what its workers may not run,
they tell.
"""

import os
import signal
import sys

# Before numpy comes in, as in the program: one thread, and a process that may be forked.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")

from collections.abc import Callable, Generator, Iterator
from pathlib import Path

import hypothesis
import pytest

from tests.support import acceptance
from tests.support.capabilities import allowed
from tests.support.daemon_process import Daemon
from tests.support.jack_server import JackServer, own_name
from tests.support.stage import staged

# What a shell starts in the background ignores Ctrl-C, and so would every child.
signal.signal(signal.SIGINT, signal.default_int_handler)

# A machine may be shared: how long an example took is no fault.
hypothesis.settings.register_profile("shared machine", deadline=None)
hypothesis.settings.load_profile("shared machine")

STARTS_A_PROCESS = {"subprocess.Popen", "os.fork", "os.forkpty", "os.posix_spawn", "os.system"}
pure_test: str | None = None
"""The one that runs now, if it is pure."""
forbidden: dict[str, list[str]] = {}
"""The names of the tests that this machine forbids, by what they need."""


def keep_pure(event: str, _arguments: tuple[object, ...]) -> None:
    if pure_test is not None and event in STARTS_A_PROCESS:
        pytest.fail(f"{pure_test} starts a process: it needs @pytest.mark.gig")


sys.addaudithook(keep_pure)


def pytest_addoption(parser: pytest.Parser) -> None:
    told = "print what each acceptance test has measured, sound by sound"
    parser.addoption("--measured", action="store_true", help=told)


@pytest.fixture
def measured(record_property: Callable[[str, object], None]) -> acceptance.Measured:
    return acceptance.checked(record_property)


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    for item in items:
        if item.path.parent.name in ("gig", "install"):
            item.add_marker("gig")
    possible, impossible = [], []
    for item in items:
        needed = item.get_closest_marker("needs")
        if needed is None or allowed(needed.args[0]):
            possible.append(item)
        else:
            impossible.append(item)
            forbidden.setdefault(needed.args[0], []).append(item.name)
    config.hook.pytest_deselected(items=impossible)
    # Long ones first, so that no worker waits for another's at the end.
    items[:] = sorted(possible, key=lambda item: item.get_closest_marker("slow") is None)


@pytest.hookimpl(tryfirst=True)
def pytest_sessionfinish(session: pytest.Session) -> None:
    told_by_a_worker = getattr(session.config, "workeroutput", None)
    if told_by_a_worker is not None:
        told_by_a_worker["forbidden"] = forbidden


@pytest.hookimpl(optionalhook=True)
def pytest_testnodedown(node: object) -> None:
    forbidden.update(getattr(node, "workeroutput", {}).get("forbidden", {}))


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    for need, names in forbidden.items():
        told = ", ".join(names)
        terminalreporter.write_line(f"not possible here, for lack of {need}: {len(names)}: {told}")
    if terminalreporter.config.getoption("measured"):
        reports = [
            each for kind in ("passed", "failed") for each in terminalreporter.getreports(kind)
        ]
        kept = [entry for report in reports for entry in report.user_properties]
        entries = [told for name, told in kept if name == acceptance.PROPERTY]
        for line in acceptance.table(entries):
            terminalreporter.write_line(line)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item: pytest.Item) -> Generator[None, object, object]:
    global pure_test
    pure_test = None if item.get_closest_marker("gig") else item.nodeid
    handlers = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        return (yield)
    finally:
        pure_test = None
        for number, handler in handlers.items():  # a program in this process takes hold of them
            signal.signal(number, handler)


@pytest.fixture
def jack_server(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[JackServer]:
    """Run a JACK server at 48 kHz, 128 frames, that this process and its children will find."""
    with own_name() as name:
        monkeypatch.setenv("JACK_DEFAULT_SERVER", name)
        monkeypatch.setenv("JACK_NO_START_SERVER", "1")
        server = JackServer(name, tmp_path / "jackd.log")
        try:
            server.start()
            yield server
        finally:
            server.stop()


@pytest.fixture(scope="module")
def stage() -> Iterator[Daemon]:
    """Run one daemon for a file of tests, on a JACK server of its own."""
    with staged() as daemon:
        yield daemon
