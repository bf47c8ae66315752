"""Every check of a list, one after the other, whatever fails; then one report.

    python3 tests/all_checks.py LIST FOLDER [NAME...]

LIST has a name and a command a line. What each says goes to a file of its own in FOLDER; names
after it choose some of the list. Ends with 0 when all passed. Ctrl-C ends the check that runs, and
the report is of those before it.
"""

import os
import signal
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

LONGEST_S = 3 * 3600
_LAST_LINES = 12


@dataclass(frozen=True)
class Result:
    """What became of a check."""

    name: str
    outcome: str
    seconds: float
    log: Path

    def line(self) -> str:
        return f"{self.name:<20} {self.outcome:<8} {self.seconds:6.0f} s"


def listed(text: str) -> dict[str, str]:
    """Return the commands of a list by their names."""
    lines = [line.split("#")[0].split(maxsplit=1) for line in text.splitlines()]
    return {words[0]: words[1].strip() for words in lines if words}


def run(name: str, command: str, folder: Path) -> Result:
    """Run one check to its end, or for `LONGEST_S`; nothing of it outlives that."""
    log = folder / f"{name}.log"
    began = time.monotonic()
    with (
        log.open("wb") as said,
        subprocess.Popen(
            ["bash", "-c", command],
            stdin=subprocess.DEVNULL,
            stdout=said,
            stderr=subprocess.STDOUT,
            start_new_session=True,
        ) as check,
    ):
        try:
            outcome = "passed" if check.wait(LONGEST_S) == 0 else "FAILED"
        except subprocess.TimeoutExpired:
            outcome = "TOO LONG"
        except KeyboardInterrupt:
            outcome = "STOPPED"
        if outcome in ("TOO LONG", "STOPPED"):
            os.killpg(check.pid, signal.SIGTERM)
            try:
                check.wait(30)
            except subprocess.TimeoutExpired:
                os.killpg(check.pid, signal.SIGKILL)
    return Result(name, outcome, time.monotonic() - began, log)


def report(results: list[Result], left: int) -> str:
    """Return the last lines of what failed, then a line for every check."""
    failed = [result for result in results if result.outcome != "passed"]
    parts = [
        "\n".join([f"--- {result.name}: {result.log}", *_last_lines(result.log), ""])
        for result in failed
    ]
    total = sum(result.seconds for result in results)
    passed = len(results) - len(failed)
    parts += [result.line() for result in results]
    parts.append(f"{passed} passed, {len(failed)} failed, {left} not run, {total / 60:.0f} minutes")
    return "\n".join(parts)


def _last_lines(log: Path) -> list[str]:
    return log.read_text("utf-8", "replace").splitlines()[-_LAST_LINES:]


def main() -> int:
    """Run the list, or those that are named."""
    if len(sys.argv) < 3:
        sys.stderr.write("usage: all_checks.py LIST FOLDER [NAME...]\n")
        return 2
    checks = listed(Path(sys.argv[1]).read_text("utf-8"))
    chosen = sys.argv[3:] or list(checks)
    if unknown := set(chosen) - set(checks):
        sys.stderr.write(f"no check named {', '.join(sorted(unknown))}; there are: ")
        sys.stderr.write(f"{', '.join(checks)}\n")
        return 2
    # Whoever started us may have switched Ctrl-C off, for all that runs below too.
    signal.signal(signal.SIGINT, signal.default_int_handler)
    folder = Path(sys.argv[2])
    folder.mkdir(parents=True, exist_ok=True)
    results: list[Result] = []
    for name in chosen:
        results.append(run(name, checks[name], folder))
        print(results[-1].line(), flush=True)
        if results[-1].outcome == "STOPPED":
            break
    print(f"\n{report(results, len(chosen) - len(results))}")
    return int(any(result.outcome != "passed" for result in results) or len(results) < len(chosen))


if __name__ == "__main__":
    sys.exit(main())
