import mmap
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import TypeVar

import pytest

from config.library import shipped
from config.settings import Settings
from daemon.ipc.json_link import Link
from daemon.ipc.messages import Ended, ExitStatus, FromPlayer, LogLine, NewSettings, Ready, Start
from daemon.ipc.shared_memory import counters_in, ring_in, shared_memory
from daemon.player import beginning
from daemon.player.fork_loop import STOP_S, Life, play
from daemon.player.fork_server import ForkServer
from tests.support.daemon_process import children, gone
from tests.support.jack_server import JackServer
from tests.support.waiting import next_line, wait_until

pytestmark = pytest.mark.gig

Event = TypeVar("Event", LogLine, Ready, Ended)


def plain(**sections: object) -> dict[str, object]:
    return Settings.model_validate(sections).model_dump()


class Box:
    """A fork server with its memory, as the keeper holds it."""

    def __init__(self, open_s: float = 15.0, life: Life = play) -> None:
        memory = shared_memory()
        self.ring, self.counters = ring_in(memory), counters_in(memory)
        self.fork_server = ForkServer(memory, open_s, life=life)
        self.events: list[FromPlayer] = []

    def wait(self, kind: type[Event], timeout_s: float = 10.0) -> Event:
        """Wait for an event of a kind; fail when the player ends instead."""
        until = time.monotonic() + timeout_s
        while time.monotonic() < until:
            for event in self.fork_server.events():
                self.events.append(event)
                if isinstance(event, kind):
                    return event
                assert not isinstance(event, Ended), event
            time.sleep(0.002)
        raise AssertionError(f"no {kind.__name__}; but: {self.events}")

    def until_end(self, timeout_s: float) -> list[FromPlayer]:
        """Return what comes until the player is gone, which it is in time."""
        events: list[FromPlayer] = []

        def gone() -> bool:
            events.extend(self.fork_server.events())
            return any(isinstance(event, Ended) for event in events)

        wait_until(gone, timeout_s)
        return events

    def ends(self, cause: str, timeout_s: float = 10.0) -> str:
        """Wait for the player's end, and return what is said about it."""
        ended = self.wait(Ended, timeout_s)
        assert ended.cause == cause, ended
        return ended.text

    @property
    def lines(self) -> list[LogLine]:
        return [event for event in self.events if isinstance(event, LogLine)]

    @property
    def player(self) -> int:
        """The one process that plays."""
        (player,) = self.players()
        return player

    def start(self, **sections: object) -> Ready:
        self.fork_server.start(Start(plain(**sections)))
        return self.wait(Ready)

    def play(self, *message: int) -> None:
        assert self.ring.put(message, time.monotonic_ns() // 1000, 0)

    def players(self) -> list[int]:
        """Return the children of our children, which are fork servers."""
        return [child for server in children(os.getpid()) for child in children(server)]


@pytest.fixture
def box() -> Iterator[Box]:
    made = Box()
    yield made
    made.fork_server.close()


def test_a_player_plays_what_comes_through_the_ring(jack_server: JackServer, box: Box) -> None:
    ready = box.start()
    assert "'system', 48,000 Hz, 64-frame blocks, 2 channels" in ready.text
    assert ready.card["kind"] == "server"
    seen = box.counters.snapshot()
    assert seen.ready
    assert (seen.sample_rate, seen.block_frames) == (48_000, 64)
    wait_until(lambda: box.counters.snapshot().blocks > seen.blocks + 100)
    box.play(0x90, 69, 100)
    wait_until(lambda: box.counters.snapshot().peaks[0] > 0.001)
    seen = box.counters.snapshot()
    assert (seen.received, seen.accounts["sounding"], seen.sounding_peak) == (1, 1, 1)
    box.play(0x80, 69, 0)
    wait_until(lambda: box.counters.snapshot().accounts["released"] == 1)
    assert (seen.faults, seen.last_error) == (0, "")


def test_one_log_line_says_what_the_player_got_and_what_was_refused(
    jack_server: JackServer, box: Box
) -> None:
    box.start()
    (line,) = [line for line in box.lines if "collector frozen" in line.text]
    assert line.text.startswith("player has ")
    # Some of it needs rights that a test may not have: got or refused, all of it is told.
    for what in (
        "priority FIFO 70",
        "memory locked",
        "switch interval 0.1 ms",
        "BLAS on one thread",
    ):
        assert line.text.count(what) == 1
    assert line.level == ("warning" if "playing without" in line.text else "info")
    assert "\n" not in line.text


def test_an_unplugged_controllers_notes_are_released(jack_server: JackServer, box: Box) -> None:
    box.start()
    for key in (60, 64, 67):
        box.play(0x90, key, 100)
    wait_until(lambda: box.counters.snapshot().accounts["sounding"] == 3)
    box.play(0xFF)
    wait_until(lambda: box.counters.snapshot().accounts["sounding"] == 0)
    assert sum(box.counters.snapshot().accounts.values()) == 3


def test_settings_and_sounds_change_while_it_plays(jack_server: JackServer, box: Box) -> None:
    box.start(polyphony=4)
    box.play(0x90, 60, 100)
    wait_until(lambda: box.counters.snapshot().accounts["sounding"] == 1)
    sounds = {"our-own": shipped()["sine"].model_dump()}
    box.fork_server.send(NewSettings(plain(polyphony=1, sound={"name": "our-own"}), sounds))
    time.sleep(0.05)

    def one_is_stolen() -> bool:
        box.play(0x90, 72, 100)
        time.sleep(0.02)
        return box.counters.snapshot().accounts["stolen"] > 0

    wait_until(one_is_stolen)
    blocks = box.counters.snapshot().blocks
    wait_until(lambda: box.counters.snapshot().blocks > blocks)
    assert box.counters.snapshot().faults == 0
    assert box.fork_server.playing


def test_settings_that_fail_are_reported_and_the_old_ones_stay(
    jack_server: JackServer, box: Box
) -> None:
    box.start()
    box.fork_server.send(NewSettings({"polyphony": 0}))
    event = box.wait(LogLine)
    while "not applied" not in event.text:
        event = box.wait(LogLine)
    assert event.level == "error"
    assert "polyphony" in event.text
    assert "\n" not in event.text
    box.play(0x90, 69, 100)
    wait_until(lambda: box.counters.snapshot().received == 1)


def test_a_stopped_player_says_so_and_another_can_be_started(
    jack_server: JackServer, box: Box
) -> None:
    for _ in range(2):
        box.start()
        assert box.fork_server.playing
        with pytest.raises(RuntimeError):
            box.fork_server.start(Start(plain()))
        box.fork_server.stop()
        assert box.wait(Ended, 1.5) == Ended("ended", "the player stopped as asked")
        assert not box.fork_server.playing
        assert box.players() == []


def test_a_killed_player_is_reported_at_once_and_its_accounts_stay(
    jack_server: JackServer, box: Box
) -> None:
    jack_server.stop()
    jack_server.start(synchronous=False)
    box.start()
    for key in (60, 64, 67):
        box.play(0x90, key, 100)
    wait_until(lambda: box.counters.snapshot().received == 3)
    killed_at = time.monotonic()
    os.kill(box.player, signal.SIGKILL)
    assert box.ends("ended", 1.0) == "the player was ended by SIGKILL"
    assert time.monotonic() - killed_at < 0.5
    seen = box.counters.snapshot()
    assert seen.accounts["sounding"] == seen.received == box.ring.notes == 3
    box.start()
    assert box.counters.snapshot().received == 0


def test_a_player_that_the_kernel_ends_for_running_away_counts_as_a_lost_card(
    jack_server: JackServer, box: Box
) -> None:
    jack_server.stop()
    jack_server.start(synchronous=False)
    box.start()
    # What the run-away limit sends when PortAudio spins on a card that was pulled.
    os.kill(box.player, signal.SIGXCPU)
    assert "ran away" in box.ends("lost", 1.0)


def test_a_sound_server_that_dies_is_noticed_and_found_again(
    jack_server: JackServer, box: Box
) -> None:
    box.start()
    died_at = time.monotonic()
    jack_server.kill()
    assert box.ends("lost", 3.0) == "'system' went away"
    assert time.monotonic() - died_at < 1.0
    box.fork_server.start(Start(plain()))
    assert box.ends("refused") == "no sound card and no sound server"
    jack_server.start()
    box.start()


def test_without_the_card_named_the_best_one_plays_and_that_is_reported(
    jack_server: JackServer, box: Box
) -> None:
    box.fork_server.start(Start(plain(audio={"device": "street organ"})))
    assert (
        box.wait(LogLine).text
        == "no sound card matches 'street organ'; the best one plays until it comes"
    )
    assert box.wait(Ready).card["name"] == "system"


def test_a_rate_that_the_card_does_not_have_gives_way_to_its_own(
    jack_server: JackServer, box: Box
) -> None:
    box.fork_server.start(Start(plain(audio={"sample_rate": 44_100})))
    assert box.wait(LogLine).text == "'system' can't be opened at 44,100 Hz: Invalid sample rate"
    assert box.wait(Ready).sample_rate == 48_000


def test_a_sound_server_that_answers_nothing_is_given_up(jack_server: JackServer) -> None:
    box = Box(open_s=0.5)
    try:
        jack_server.freeze()
        box.fork_server.start(Start(plain()))
        assert "did not answer" in box.ends("ended", 3.0)
    finally:
        box.fork_server.close()


def test_a_sound_server_that_freezes_is_noticed(jack_server: JackServer, box: Box) -> None:
    box.start()
    jack_server.freeze()
    box.ends("lost", 2.0)


def test_a_larger_period_of_the_server_is_mentioned(jack_server: JackServer, box: Box) -> None:
    jack_server.stop()
    jack_server.start(period=1024)
    box.start()
    assert any("sound server adds 21.3 ms" in line.text for line in box.lines)
    box.play(0x90, 69, 100)
    wait_until(lambda: box.counters.snapshot().received == 1)


def test_ctrl_c_leaves_players_to_the_keeper(jack_server: JackServer, box: Box) -> None:
    box.start()
    for pid in (*children(os.getpid()), *box.players()):
        if pid in box.players() or box.players()[0] in children(pid):
            os.kill(pid, signal.SIGINT)
    blocks = box.counters.snapshot().blocks
    wait_until(lambda: box.counters.snapshot().blocks > blocks + 200)


def test_closing_ends_the_player_too(jack_server: JackServer) -> None:
    box = Box()
    box.start()
    player = box.player
    box.fork_server.close()
    assert not Path(f"/proc/{player}").exists()
    assert not box.fork_server.playing


def test_the_end_of_the_fork_server_itself_is_reported(box: Box) -> None:
    for pid in children(os.getpid()):
        if not children(pid) and "jackd" not in Path(f"/proc/{pid}/comm").read_text():
            os.kill(pid, signal.SIGKILL)
    assert box.ends("ended") == "the fork server ended"
    assert not box.fork_server.alive


def test_a_player_that_hangs_does_not_outlive_its_fork_server(
    jack_server: JackServer, box: Box
) -> None:
    jack_server.freeze()
    box.fork_server.start(Start(plain()))
    wait_until(box.players)
    player = box.player
    for pid in children(os.getpid()):
        if player in children(pid):
            os.kill(pid, signal.SIGKILL)
    # Far sooner than PortAudio gives up on a server that does not answer.
    wait_until(partial(gone, player), 1.0)


@pytest.mark.parametrize("after_s", [0.0, 0.002, 0.004, 0.02, 0.06, 0.1, 0.15, 0.4])
def test_a_stop_at_any_moment_after_the_start_is_obeyed(
    jack_server: JackServer, box: Box, after_s: float
) -> None:
    for _ in range(3):
        box.fork_server.start(Start(plain()))
        time.sleep(after_s)
        box.fork_server.stop()
        ended = [event for event in box.until_end(STOP_S + 1) if isinstance(event, Ended)]
        assert ended == [Ended("ended", "the player stopped as asked")]


def test_closing_right_after_a_start_does_not_wait_for_ever(jack_server: JackServer) -> None:
    box = Box()
    box.fork_server.start(Start(plain()))
    began = time.monotonic()
    box.fork_server.close()
    assert time.monotonic() - began < STOP_S + 1


def test_a_player_that_hangs_while_it_opens_its_card_is_killed_in_time() -> None:
    box = Box(open_s=1.0)
    try:
        box.fork_server.start(Start(plain(), patience_s=30.0))
        began = time.monotonic()
        wait_until(box.players)
        os.kill(box.player, signal.SIGSTOP)
        assert box.ends("ended", 5.0) == "the sound card or sound server did not answer"
        assert 0.9 < time.monotonic() - began < 2.0
        assert box.players() == []
    finally:
        box.fork_server.close()


def test_a_player_that_hangs_when_it_is_asked_to_stop_is_killed_in_time(
    jack_server: JackServer, box: Box
) -> None:
    box.start()
    os.kill(box.player, signal.SIGSTOP)
    began = time.monotonic()
    box.fork_server.stop()
    # Asking again is no reason to wait longer.
    wait_until(lambda: time.monotonic() - began > STOP_S / 2)
    box.fork_server.stop()
    assert box.ends("ended", 5.0) == "the player did not stop when asked and was killed"
    assert STOP_S - 0.1 < time.monotonic() - began < STOP_S + 0.6
    assert box.players() == []


def begin_when_asked_to_stop(memory: mmap.mmap, link: Link, job: Start) -> None:
    """Be ready only once a stop has come, and obey none."""
    while signal.SIGTERM not in signal.sigpending():
        time.sleep(0.005)
    link.send(Ready("output 'box'", {}, 48_000, 1.0))
    time.sleep(60)


def find_no_card_when_asked_to_stop(memory: mmap.mmap, link: Link, job: Start) -> None:
    signal.sigwait({signal.SIGTERM})  # a new player has it blocked
    link.send(Ended("refused", "no sound card and no sound server", "warning"))
    link.drain(1.0)
    os._exit(ExitStatus.REFUSED)


def tell_what_is_made_ready(memory: mmap.mmap, link: Link, job: Start) -> None:
    made = beginning._latest
    link.send(LogLine(f"{made[1].settings.polyphony} voices" if made else "nothing"))
    link.drain(1.0)
    os._exit(ExitStatus.ASKED)


def talk_without_end(memory: mmap.mmap, link: Link, job: Start) -> None:
    link.send(Ready("output 'box'", {}, 48_000, 1.0))
    while link.open:
        link.send(LogLine("and another thing"))
        link.drain(1.0)


def test_a_player_that_is_ready_after_it_was_asked_to_stop_is_killed_all_the_same() -> None:
    box = Box(life=begin_when_asked_to_stop)
    try:
        box.fork_server.start(Start({}))
        wait_until(box.players)
        began = time.monotonic()
        box.fork_server.stop()
        killed = Ended("ended", "the player did not stop when asked and was killed", "warning")
        assert box.until_end(STOP_S + 2) == [killed]
        assert time.monotonic() - began < STOP_S + 0.6
    finally:
        box.fork_server.close()


def test_a_player_that_is_asked_to_stop_before_it_found_a_card_stopped_as_asked() -> None:
    box = Box(life=find_no_card_when_asked_to_stop)
    try:
        box.fork_server.start(Start({}))
        wait_until(box.players)
        box.fork_server.stop()
        assert box.until_end(STOP_S + 1) == [Ended("ended", "the player stopped as asked")]
    finally:
        box.fork_server.close()


def test_what_a_player_begins_with_is_made_before_it_is_forked() -> None:
    box = Box(life=tell_what_is_made_ready)
    try:
        for polyphony in (3, 5):
            box.fork_server.start(Start(plain(polyphony=polyphony)))
            assert box.wait(LogLine).text == f"{polyphony} voices"
            box.ends("ended")
    finally:
        box.fork_server.close()


def test_a_player_that_never_stops_talking_is_killed_in_time() -> None:
    box = Box(life=talk_without_end)
    try:
        box.fork_server.start(Start({}))
        box.wait(Ready)
        began = time.monotonic()
        box.fork_server.stop()
        box.until_end(STOP_S + 2)
        assert time.monotonic() - began < STOP_S + 0.6
    finally:
        box.fork_server.close()


def test_edits_while_the_player_hangs_neither_hold_up_its_end_nor_pile_up(
    jack_server: JackServer, box: Box
) -> None:
    box.start()
    os.kill(box.player, signal.SIGSTOP)
    sounds = {f"own-{n}": shipped()["flat64"].model_dump() for n in range(40)}
    began = time.monotonic()
    for number in range(1, 40):
        box.fork_server.send(NewSettings(plain(polyphony=number), sounds))
        assert not any(isinstance(event, Ended) for event in box.fork_server.events())
    assert time.monotonic() - began < 2.0
    began = time.monotonic()
    box.fork_server.stop()
    assert box.ends("ended", 10.0) == "the player did not stop when asked and was killed"
    assert time.monotonic() - began < STOP_S + 1.5


KEEPER = """
import sys, time
from config.settings import Settings
from daemon.ipc.json_link import Link
from daemon.ipc.messages import Ready, Start
from daemon.ipc.shared_memory import shared_memory
from daemon.player.fork_loop import STOP_S, Life, play
from daemon.player.fork_server import ForkServer
fork_server = ForkServer(shared_memory())
fork_server.start(Start(Settings().model_dump()))
while not any(isinstance(event, Ready) for event in fork_server.events()):
    time.sleep(0.01)
print("ready", flush=True)
time.sleep(60)
"""


def test_no_process_outlives_a_killed_keeper(jack_server: JackServer) -> None:
    environment = os.environ | {"OPENBLAS_NUM_THREADS": "1"}
    keeper = subprocess.Popen(
        [sys.executable, "-c", KEEPER], stdout=subprocess.PIPE, text=True, env=environment
    )
    try:
        assert next_line(keeper) == "ready\n"
        (server,) = children(keeper.pid)
        (player,) = children(server)
    finally:
        keeper.kill()
        keeper.communicate()
    for pid in (server, player):
        wait_until(partial(gone, pid), 2.0)


def test_where_the_sound_cannot_be_imported_the_daemon_says_why_and_ends_with_1(
    tmp_path: Path,
) -> None:
    program = (
        "import sys; sys.modules['numpy'] = None\n"
        "from daemon.__main__ import main; sys.exit(main(['run']))"
    )
    done = subprocess.run(
        [sys.executable, "-c", program],
        env={**os.environ, "RUNTIME_DIRECTORY": str(tmp_path)},
        capture_output=True,
        text=True,
        check=False,
        timeout=30,
    )
    assert done.returncode == 1
    assert "the player can't be loaded: ModuleNotFoundError: import of numpy" in done.stderr
    assert "player process failed; exiting for restart" in done.stderr
