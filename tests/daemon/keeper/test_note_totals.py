"""The note count over players, with a real ring: nothing is lost and nothing counted twice."""

import random
import threading
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from daemon.ipc.counters import Snapshot
from daemon.ipc.message_ring import MessageRing
from daemon.keeper.note_totals import NoteTotals, NoteUnheard
from voices.notes.note_count import ACCOUNTS, Ledger

ON, OFF, SILENT_ON, BEND = b"\x90\x3c\x64", b"\x80\x3c\x40", b"\x90\x3c\x00", b"\xe0\x00\x40"


class Busy(MessageRing):
    """A ring into which another note comes whenever somebody counts, some times."""

    coming = 0

    @property
    def notes(self) -> int:
        if self.coming:
            self.coming -= 1
            self.put(ON, 1, 0)
        return super().notes


class Stall:
    """A ring and its totals; the player is a ledger that takes from the ring."""

    def __init__(self) -> None:
        self.ring = Busy(memoryview(bytearray(MessageRing.SIZE)))
        self.totals = NoteTotals(self.ring)
        self.ledger = Ledger()
        self.published = Snapshot()

    def put(self, *messages: bytes) -> None:
        for message in messages:
            self.ring.put(message, 1, 0)

    def take(self, count: int = 1) -> None:
        self.ledger.refuse("queue overflow", self.ring.take_lost_notes())
        for _ in range(count):
            record = self.ring.get()
            if record and record[2] == ON:
                self.ledger.note_on(0, 1, record[2][1], record[2][2], 0)

    def publish(self, **figures: Any) -> None:
        accounts = dict(self.ledger.accounts())
        self.published = Snapshot(
            blocks=1, received=self.ledger.received, accounts=accounts, **figures
        )

    def end(self) -> int:
        cut, _ = self.totals.settle(self.published)
        self.ledger, self.published = Ledger(), Snapshot()
        return cut

    @property
    def accounts(self) -> dict[str, int]:
        return {name: count for name, count in self.totals.accounts().items() if count}


def fill(stall: Stall) -> int:
    """Put note-ons until one finds no room; return how many got in."""
    while stall.ring.put(ON, 1, 0):
        pass
    return stall.ring.notes


def test_without_a_player_note_ons_are_booked_and_nothing_else_is() -> None:
    """MIDI 1.0: a note-on of velocity 0 is a note-off."""
    stall = Stall()
    stall.put(ON, OFF, SILENT_ON, BEND, b"\xc0\x04", b"\xff", b"\x9f\x3c\x64")
    assert stall.totals.drain() == [
        NoteUnheard(1, 0, ON),
        NoteUnheard(1, 0, b"\x9f\x3c\x64"),
    ]
    assert stall.accounts == {"no sound card": 2}
    assert stall.totals.drain() == []
    assert stall.accounts == {"no sound card": 2}


def test_a_drained_ring_is_empty_however_full_it_was() -> None:
    stall = Stall()
    there = fill(stall)
    assert len(stall.totals.drain()) == there
    assert stall.ring.waiting == 0


def test_notes_that_found_no_room_are_booked_once() -> None:
    stall = Stall()
    there = fill(stall)
    stall.put(ON, ON)
    stall.totals.drain()
    stall.totals.drain()
    assert stall.accounts == {"no sound card": there, "queue overflow": 3}


def test_every_account_is_there_from_the_start() -> None:
    assert tuple(Stall().totals.accounts()) == ACCOUNTS


def test_a_running_players_notes_are_added_to_those_before() -> None:
    stall = Stall()
    for _ in range(2):
        stall.put(ON, ON, ON)
        stall.take(3)
        stall.publish()
        running = stall.totals.accounts(stall.published)
        stall.end()
    assert (running["cut"], running["sounding"]) == (3, 3)
    stall.put(ON, ON, ON)
    stall.take(3)
    stall.ledger.refuse("cut", 3)
    stall.publish()
    assert stall.totals.accounts(stall.published)["cut"] == 6 + 3


def test_what_sounded_when_the_player_ended_was_cut() -> None:
    stall = Stall()
    stall.put(ON, ON, ON)
    stall.take(3)
    stall.publish()
    assert stall.totals.accounts(stall.published)["sounding"] == 3
    assert stall.end() == 3
    assert stall.accounts == {"cut": 3}


def test_what_the_player_had_booked_stays_booked_and_is_not_reported_as_cut_now() -> None:
    stall = Stall()
    accounts = dict.fromkeys(ACCOUNTS, 0) | {"released": 4, "cut": 2, "sounding": 1}
    stall.put(*[ON] * 7)
    stall.take(7)
    stall.published = Snapshot(blocks=1, received=7, accounts=accounts)
    assert stall.end() == 1
    assert stall.accounts == {"released": 4, "cut": 3}


def test_notes_between_the_ring_and_the_last_figures_were_cut() -> None:
    """A player that is killed has taken notes that no figure of its tells of."""
    stall = Stall()
    stall.put(ON, ON)
    stall.take(2)
    stall.publish()
    stall.put(ON)
    stall.take()
    stall.put(ON)
    assert stall.end() == 3
    assert stall.accounts == {"cut": 3, "no sound card": 1}


def test_the_further_layers_of_a_key_are_none_that_a_player_failed_to_book() -> None:
    stall = Stall()
    stall.put(ON, ON)
    stall.take(2)
    stall.ledger.note_on(0, 1, 60, 100, 0)
    stall.ledger.layered += 1
    stall.publish(layered=stall.ledger.layered)
    stall.put(ON)
    stall.take()
    assert stall.end() == 4
    assert stall.accounts == {"cut": 4}


def test_accounts_of_a_running_player_come_on_top() -> None:
    stall = Stall()
    stall.put(ON)
    stall.take()
    stall.publish()
    stall.end()
    stall.put(ON)
    stall.take()
    stall.publish()
    now = stall.totals.accounts(stall.published)
    assert (now["cut"], now["sounding"], sum(now.values())) == (1, 1, 2)
    # Asking changed nothing.
    assert stall.accounts == {"cut": 1}


def test_other_counts_add_up_and_the_most_voices_are_the_most_of_all_players() -> None:
    stall = Stall()
    for underflows, late_events, faults, peak in ((2, 1, 0, 9), (3, 0, 1, 5)):
        stall.publish(
            underflows=underflows, late_events=late_events, faults=faults, sounding_peak=peak
        )
        stall.end()
    assert stall.totals.counts._asdict() == {
        "underflows": 5,
        "late": 1,
        "faults": 1,
        "sounding_peak": 9,
    }
    running = stall.totals.counts.plus(Snapshot(underflows=1, sounding_peak=12))
    assert (running.underflows, running.sounding_peak) == (6, 12)
    assert stall.totals.counts.underflows == 5


def test_a_note_that_comes_while_the_accounts_are_settled_is_counted_once() -> None:
    stall = Stall()
    stall.put(ON, ON)
    stall.take(2)
    stall.publish()
    stall.ring.coming = 3
    stall.end()
    stall.totals.drain()
    assert stall.accounts == {"cut": 2, "no sound card": 3}


def test_a_player_that_ends_while_notes_pour_in_loses_none() -> None:
    stall = Stall()
    go_on = threading.Event()
    go_on.set()

    def pour() -> None:
        while go_on.is_set():
            stall.ring.put(ON, 1, 0)

    pouring = threading.Thread(target=pour)
    pouring.start()
    try:
        for _ in range(50):
            stall.take(200)
            stall.publish()
            stall.take(3)
            stall.end()
    finally:
        go_on.clear()
        pouring.join()
    stall.publish()
    stall.end()
    came = stall.ring.notes + stall.ring.overflowed_notes
    assert came > 0
    assert sum(stall.accounts.values()) == came


@given(st.integers(0, 2**32), st.integers(1, 200))
def test_received_is_always_the_sum_of_the_accounts(seed: int, steps: int) -> None:
    """Whatever comes in whatever order: put, taken, published, ended, drained."""
    chance, stall = random.Random(seed), Stall()
    running = False
    for _ in range(steps):
        match chance.choice(("put", "take", "publish", "end", "drain", "flood")):
            case "put":
                stall.put(*chance.choices((ON, OFF, SILENT_ON, BEND), k=chance.randrange(5)))
            case "flood" if chance.random() < 0.02:
                fill(stall)
            case "take" if running:
                stall.take(chance.randrange(4))
            case "publish" if running:
                stall.publish()
            case "end" if running:
                before = sum(stall.totals.accounts().values())
                stall.end()
                assert sum(stall.totals.accounts().values()) >= before
                running = False
            case "drain" if not running:
                stall.totals.drain()
                running = chance.random() < 0.5
    stall.end()
    came = stall.ring.notes + stall.ring.overflowed_notes
    assert sum(stall.accounts.values()) == came
