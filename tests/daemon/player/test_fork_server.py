import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pytest

from config.library import shipped
from config.settings import Settings
from daemon.ipc.layout import board_in, ring_in, shared_memory
from daemon.player.engine import warm_up
from daemon.player.fork_server import FINAL, ForkServer, PlayerEvent, PlayerJob
from tests.support.daemon_process import children, gone
from tests.support.jack_server import JackServer
from tests.support.waiting import wait_until


def plain(**sections: object) -> dict[str, object]:
    return Settings.model_validate(sections).model_dump()


class Box:
    """A spawner with its memory, as the keeper holds it."""

    def __init__(self, open_s: float = 15.0) -> None:
        memory = shared_memory()
        self.ring, self.board = ring_in(memory), board_in(memory)
        self.spawner = ForkServer(memory, open_s)
        self.told: list[PlayerEvent] = []

    def event(self, *kinds: str, timeout_s: float = 10.0) -> PlayerEvent:
        """Wait for an event of one of the kinds; fail at one that ends the player otherwise."""
        until = time.monotonic() + timeout_s
        while time.monotonic() < until:
            for event in self.spawner.events():
                self.told.append(event)
                if event.kind in (*kinds, *FINAL):
                    assert event.kind in kinds, event
                    return event
            time.sleep(0.002)
        raise AssertionError(f"no event of {kinds}; told: {self.told}")

    def start(self, **sections: object) -> PlayerEvent:
        self.spawner.start(PlayerJob(plain(**sections)))
        return self.event("ready")

    def play(self, *message: int) -> None:
        assert self.ring.put(message, time.monotonic_ns() // 1000, 0)

    def players(self) -> list[int]:
        """Return the children of our children, which are spawners."""
        return [child for spawner in children(os.getpid()) for child in children(spawner)]


@pytest.fixture
def box() -> Iterator[Box]:
    made = Box()
    yield made
    made.spawner.close()


@pytest.mark.gig
def test_a_player_plays_what_comes_through_the_ring(jack_server: JackServer, box: Box) -> None:
    ready = box.start()
    assert "'system', 48000 Hz, 64-frame blocks, 2 channels" in ready.text
    assert ready.details["card"]["kind"] == "server"
    seen = box.board.snapshot()
    assert seen.ready
    assert (seen.sample_rate, seen.block_frames) == (48_000, 64)
    wait_until(lambda: box.board.snapshot().blocks > seen.blocks + 100)
    box.play(0x90, 69, 100)
    wait_until(lambda: box.board.snapshot().peaks[0] > 0.001)
    seen = box.board.snapshot()
    assert (seen.received, seen.accounts["sounding"], seen.sounding_peak) == (1, 1, 1)
    box.play(0x80, 69, 0)
    wait_until(lambda: box.board.snapshot().accounts["released"] == 1)
    assert (seen.faults, seen.last_error) == (0, "")


@pytest.mark.gig
def test_one_log_line_says_what_the_player_got_and_what_was_refused(
    jack_server: JackServer, box: Box
) -> None:
    box.start()
    (line,) = [event for event in box.told if "collector frozen" in event.text]
    assert line.kind == "log"
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


@pytest.mark.gig
def test_an_unplugged_controllers_notes_are_released(jack_server: JackServer, box: Box) -> None:
    box.start()
    for key in (60, 64, 67):
        box.play(0x90, key, 100)
    wait_until(lambda: box.board.snapshot().accounts["sounding"] == 3)
    box.play(0xFF)
    wait_until(lambda: box.board.snapshot().accounts["sounding"] == 0)
    assert sum(box.board.snapshot().accounts.values()) == 3


@pytest.mark.gig
def test_settings_and_sounds_change_while_it_plays(jack_server: JackServer, box: Box) -> None:
    box.start(polyphony=4)
    box.play(0x90, 60, 100)
    wait_until(lambda: box.board.snapshot().accounts["sounding"] == 1)
    sounds = {"our-own": shipped()["sine"].model_dump()}
    box.spawner.send(plain(polyphony=1, sound={"name": "our-own"}), sounds)
    time.sleep(0.05)

    def one_is_stolen() -> bool:
        box.play(0x90, 72, 100)
        time.sleep(0.02)
        return box.board.snapshot().accounts["stolen"] > 0

    wait_until(one_is_stolen)
    blocks = box.board.snapshot().blocks
    wait_until(lambda: box.board.snapshot().blocks > blocks)
    assert box.board.snapshot().faults == 0
    assert box.spawner.playing


@pytest.mark.gig
def test_settings_that_fail_are_told_and_the_old_ones_stay(
    jack_server: JackServer, box: Box
) -> None:
    box.start()
    box.spawner.send({"polyphony": 0}, {})
    event = box.event("log")
    while "not taken over" not in event.text:
        event = box.event("log")
    assert event.level == "error"
    assert "polyphony" in event.text
    assert "\n" not in event.text
    box.play(0x90, 69, 100)
    wait_until(lambda: box.board.snapshot().received == 1)


@pytest.mark.gig
def test_a_stopped_player_says_so_and_another_can_be_started(
    jack_server: JackServer, box: Box
) -> None:
    for _ in range(2):
        box.start()
        assert box.spawner.playing
        with pytest.raises(RuntimeError):
            box.spawner.start(PlayerJob(plain()))
        box.spawner.stop()
        event = box.event("ended", timeout_s=1.5)
        assert (event.text, event.level) == ("the player stopped as asked", "info")
        assert not box.spawner.playing
        assert box.players() == []


@pytest.mark.gig
def test_a_killed_player_is_told_at_once_and_its_accounts_stay(
    jack_server: JackServer, box: Box
) -> None:
    jack_server.stop()
    jack_server.start(waits=False)
    box.start()
    for key in (60, 64, 67):
        box.play(0x90, key, 100)
    wait_until(lambda: box.board.snapshot().received == 3)
    (player,) = box.players()
    killed_at = time.monotonic()
    os.kill(player, signal.SIGKILL)
    event = box.event("ended", timeout_s=1.0)
    assert time.monotonic() - killed_at < 0.5
    assert event.text == "the player was ended by SIGKILL"
    seen = box.board.snapshot()
    assert seen.accounts["sounding"] == seen.received == box.ring.notes == 3
    box.start()
    assert box.board.snapshot().received == 0


@pytest.mark.gig
def test_a_player_that_the_kernel_ends_for_running_away_counts_as_a_lost_card(
    jack_server: JackServer, box: Box
) -> None:
    jack_server.stop()
    jack_server.start(waits=False)
    box.start()
    # What the run-away limit sends when PortAudio spins on a card that was pulled.
    os.kill(box.players()[0], signal.SIGXCPU)
    assert "ran away" in box.event("lost", timeout_s=1.0).text


@pytest.mark.gig
def test_a_sound_server_that_dies_is_noticed_and_found_again(
    jack_server: JackServer, box: Box
) -> None:
    box.start()
    died_at = time.monotonic()
    jack_server.kill()
    event = box.event("lost", timeout_s=3.0)
    assert time.monotonic() - died_at < 1.0
    assert event.text == "'system' went away"
    box.spawner.start(PlayerJob(plain()))
    assert box.event("refused").text == "no sound card and no sound server"
    jack_server.start()
    box.start()


@pytest.mark.gig
def test_without_the_card_named_the_best_one_plays_and_that_is_told(
    jack_server: JackServer, box: Box
) -> None:
    box.spawner.start(PlayerJob(plain(audio={"device": "street organ"})))
    told = box.event("log")
    assert told.text == "no sound card matches 'street organ'; the best one plays until it comes"
    assert box.event("ready").details["card"]["name"] == "system"


@pytest.mark.gig
def test_a_rate_that_the_card_does_not_have_gives_way_to_its_own(
    jack_server: JackServer, box: Box
) -> None:
    box.spawner.start(PlayerJob(plain(audio={"sample_rate": 44_100})))
    told = box.event("log")
    assert told.text == "'system' can't be opened at 44100 Hz: Invalid sample rate"
    assert box.event("ready").details["sample_rate"] == 48_000


@pytest.mark.gig
def test_a_sound_server_that_answers_nothing_is_given_up(jack_server: JackServer) -> None:
    box = Box(open_s=0.5)
    try:
        jack_server.freeze()
        box.spawner.start(PlayerJob(plain()))
        assert "did not answer" in box.event("ended", timeout_s=3.0).text
    finally:
        box.spawner.close()


@pytest.mark.gig
def test_a_sound_server_that_freezes_is_noticed(jack_server: JackServer, box: Box) -> None:
    box.start()
    jack_server.freeze()
    box.event("lost", timeout_s=2.0)


@pytest.mark.gig
def test_a_larger_period_of_the_server_is_mentioned(jack_server: JackServer, box: Box) -> None:
    jack_server.stop()
    jack_server.start(period=1024)
    box.start()
    assert any("sound server adds 21.3 ms" in event.text for event in box.told)
    box.play(0x90, 69, 100)
    wait_until(lambda: box.board.snapshot().received == 1)


@pytest.mark.gig
def test_ctrl_c_leaves_players_to_the_keeper(jack_server: JackServer, box: Box) -> None:
    box.start()
    for pid in (*children(os.getpid()), *box.players()):
        if pid in box.players() or box.players()[0] in children(pid):
            os.kill(pid, signal.SIGINT)
    blocks = box.board.snapshot().blocks
    wait_until(lambda: box.board.snapshot().blocks > blocks + 200)


@pytest.mark.gig
def test_closing_ends_the_player_too(jack_server: JackServer) -> None:
    box = Box()
    box.start()
    (player,) = box.players()
    box.spawner.close()
    assert not Path(f"/proc/{player}").exists()
    assert not box.spawner.playing


@pytest.mark.gig
def test_the_end_of_the_spawner_itself_is_told(box: Box) -> None:
    for pid in children(os.getpid()):
        if not children(pid) and "jackd" not in Path(f"/proc/{pid}/comm").read_text():
            os.kill(pid, signal.SIGKILL)
    assert box.event("ended").text == "the spawner ended"
    assert not box.spawner.alive


@pytest.mark.gig
def test_a_player_that_hangs_does_not_outlive_its_spawner(
    jack_server: JackServer, box: Box
) -> None:
    jack_server.freeze()
    box.spawner.start(PlayerJob(plain()))
    wait_until(box.players)
    (player,) = box.players()
    for pid in children(os.getpid()):
        if player in children(pid):
            os.kill(pid, signal.SIGKILL)
    # Far sooner than PortAudio gives up on a server that does not answer.
    wait_until(partial(gone, player), 1.0)


KEEPER = """
import sys, time
from config.settings import Settings
from daemon.ipc.layout import shared_memory
from daemon.player.fork_server import PlayerJob, ForkServer
spawner = ForkServer(shared_memory())
spawner.start(PlayerJob(Settings().model_dump()))
while not any(event.kind == "ready" for event in spawner.events()):
    time.sleep(0.01)
print("ready", flush=True)
time.sleep(60)
"""


@pytest.mark.gig
def test_no_process_outlives_a_killed_keeper(jack_server: JackServer) -> None:
    environment = os.environ | {"OPENBLAS_NUM_THREADS": "1"}
    keeper = subprocess.Popen(
        [sys.executable, "-c", KEEPER], stdout=subprocess.PIPE, text=True, env=environment
    )
    try:
        assert keeper.stdout
        assert keeper.stdout.readline() == "ready\n"
        (spawner,) = children(keeper.pid)
        (player,) = children(spawner)
    finally:
        keeper.kill()
        keeper.communicate()
    for pid in (spawner, player):
        wait_until(partial(gone, pid), 2.0)


@pytest.mark.gig
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
    assert "no player can be made: ModuleNotFoundError: import of numpy" in done.stderr
    assert "leaving, to be started anew" in done.stderr


def test_the_warm_up_really_plays() -> None:
    """Or else the first note of a player would come milliseconds late (measured: 5)."""
    assert warm_up(Settings(), None) > 10
