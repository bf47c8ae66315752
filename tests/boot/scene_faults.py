"""What goes wrong in a booted system, caused for real: processes killed, a clock set, a hang.

Runs inside the board, once systemd has started all it starts.
"""

import os
import signal
import subprocess
import time
from pathlib import Path

from tests.boot.box import (
    NAME,
    PLAIN,
    Journal,
    Passages,
    accounts,
    bring_hubs,
    check,
    fail,
    figure,
    now,
    plug,
    save,
    sounding,
    status,
    told,
)
from tests.boot.controller import Controller


def main() -> None:
    journal = Journal()
    first_s = since_start(journal.wait("ready: ").at_s)
    lost = bring_hubs()
    begun = now()
    save(PLAIN)
    journal.wait("settings read again", begun)
    controller = Controller(NAME)
    passages = Passages()
    plug(controller, journal)
    strangers_ask()
    clock_set(controller, passages)  # first: what comes after it goes by no clock that was set
    check(status()["underflows"] == lost, "no underflow since", status()["underflows"])
    reloads(journal, controller, passages)
    check(status()["underflows"] == lost, "no underflow then", status()["underflows"])
    player_killed(journal, controller, passages)
    keeper_killed(journal, controller, passages, first_s)
    keeper_hangs(journal, controller, passages)
    put_away()


def since_start(at_s: float) -> float:
    """Return how long after the service's latest start a moment is."""
    started = told("systemctl", "show", "-P", "ExecMainStartTimestampMonotonic", "partiald")
    return at_s - int(started) / 1e6


def note(passages: Passages, name: str, controller: Controller, prompt: bool = True) -> None:
    passages.begin(name, controller, 69)
    passages.hold(0.3, 69)
    passages.end(controller, 69, prompt=prompt)


def strangers_ask() -> None:
    """Without root and without the group nothing can be asked, and it is told what would help."""
    command = ("runuser", "-u", "nobody", "--", "partiald", "status")
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    refused = done.returncode == 1 and "not allowed" in done.stderr
    check(refused and "Traceback" not in done.stderr, "a stranger may not ask", done)
    print(f"    {done.stderr.strip()}")


def clock_set(controller: Controller, passages: Passages) -> None:
    passages.begin("the clock set by an hour, forth and back", controller, 69)
    passages.hold(0.3, 69)
    at_s = time.time()
    time.clock_settime(time.CLOCK_REALTIME, at_s + 3600)
    controller.send(0x90, 76, 100)
    passages.hold(0.3, 69, 76)
    controller.send(0x80, 76, 0)
    time.clock_settime(time.CLOCK_REALTIME, time.time() - 3600)
    passages.hold(0.6, 69, gone=[76])
    passages.end(controller, 69, steady=True)
    note(passages, "after the clock was set", controller)


def reloads(journal: Journal, controller: Controller, passages: Passages) -> None:
    """A storm of SIGHUP, and a file saved again and again, under a held note."""
    keeper = status()["process"]
    passages.begin("a storm of reloads", controller, 69)
    passages.hold(0.3, 69)
    begun = now()
    for number in range(20):
        os.kill(keeper, signal.SIGHUP)
        save(PLAIN + f"# {number}\n")
        time.sleep(0.02)
    begun = now()
    save(PLAIN)
    journal.wait("settings read again", begun)
    passages.hold(0.3, 69)
    passages.end(controller, 69, steady=True)
    check(status()["process"] == keeper, "the keeper is the same", status()["process"])


def player_killed(journal: Journal, controller: Controller, passages: Passages) -> None:
    before = accounts()
    passages.begin("the player killed", controller, 69)
    passages.hold(0.3, 69)
    begun = now()
    os.kill(player_of(status()["process"]), signal.SIGKILL)
    line = journal.wait("sounding again", begun)
    figure("the player killed, until it sounds again", line.at_s - begun, 1.0)
    controller.send(0x80, 69, 0)
    passages.end(None)
    passages.life += 1
    cut = accounts()["cut"] - before["cut"]
    check(cut == 1, "its note has its account", accounts())
    note(passages, "after the player was killed", controller)


def player_of(keeper: int) -> int:
    """Return the process that plays: the one that has the card open."""
    for place in Path("/proc").glob("[0-9]*/fd/*"):
        try:
            if str(place.readlink()).startswith("/dev/snd/pcmC") and f"/{keeper}/" not in str(
                place
            ):
                return int(place.parts[2])
        except OSError:
            continue
    fail("nobody has the card open")


def keeper_killed(
    journal: Journal, controller: Controller, passages: Passages, first_s: float
) -> None:
    passages.begin("the keeper killed", controller, 69)
    passages.hold(0.3, 69)
    begun = now()
    os.kill(status()["process"], signal.SIGKILL)
    line = journal.wait("ready: ", begun)
    passages.life += 1
    again_s = since_start(line.at_s)
    figure(f"systemd's restart, until ready (first start: {first_s:.2f} s)", again_s, 1.5 * first_s)
    figure("the keeper killed, until ready", line.at_s - begun, 1.0 + 1.5 * first_s)
    journal.wait("controller connected", begun)
    controller.send(0x80, 69, 0)
    time.sleep(0.3)
    passages.end(None)
    note(passages, "after the keeper was killed", controller)


def keeper_hangs(journal: Journal, controller: Controller, passages: Passages) -> None:
    """A keeper that does nothing any more is ended by systemd's watchdog, and started again."""
    begun = now()
    keeper = status()["process"]
    os.kill(keeper, signal.SIGSTOP)
    line = journal.wait("ready: ", begun, 40.0)
    passages.life += 1
    figure("the keeper hanging, until ready again", line.at_s - begun, 20.0)
    check(journal.count("Watchdog timeout", begun) == 1, "it was systemd's watchdog")
    journal.wait("controller connected", begun)
    time.sleep(0.5)
    note(passages, "after the keeper hung", controller)


def put_away() -> None:
    check(sounding() == 0, "silence", sounding())
    told("systemctl", "stop", "partiald")
    left = told("sh", "-c", "pgrep -u partiald || true").split()
    check(not left, "nothing is left running", left)


if __name__ == "__main__":
    main()
