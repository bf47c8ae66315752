import errno
import logging
from threading import Event

import pytest

from daemon.storage.deferred_writes import PAUSE_US, DeferredWrites, in_thread

TICK_US = 250_000
CARD = "what was learned"


class Bench:
    """Pauses with a clock, and what was written."""

    def __init__(self) -> None:
        self.pauses, self.now_us, self.struck = DeferredWrites(), 0, 0
        self.written: list[str] = []
        self.fault: OSError | None = None

    def ask(self, what: str, name: str = CARD) -> None:
        def write() -> None:
            if self.fault:
                raise self.fault
            self.written.append(what)

        self.pauses.request(name, lambda: write)

    def tick(self, us: int, sounding: int = 0) -> None:
        for _ in range(us // TICK_US):
            self.now_us += TICK_US
            self.pauses.tick(self.struck, sounding, self.now_us)


def test_nothing_is_written_while_a_note_sounds_and_all_of_it_in_the_pause_after() -> None:
    bench = Bench()
    bench.ask("level")
    bench.ask("history", "the history")
    bench.tick(60_000_000, sounding=1)
    assert bench.written == []
    bench.tick(PAUSE_US - TICK_US)
    assert bench.written == []
    bench.tick(2 * TICK_US)
    assert bench.written == ["level", "history"]
    bench.tick(60_000_000)
    assert bench.written == ["level", "history"]


def test_notes_that_begin_and_end_between_two_looks_are_no_pause() -> None:
    bench = Bench()
    bench.ask("level")
    for _ in range(40):
        bench.struck += 1
        bench.tick(PAUSE_US // 2)
    assert bench.written == []
    bench.tick(PAUSE_US)
    assert bench.written == ["level"]


def test_what_is_asked_for_again_before_the_pause_is_written_once() -> None:
    bench = Bench()
    for level in ("1 dB", "2 dB", "3 dB"):
        bench.ask(level)
    assert bench.pauses.pending == [CARD]
    bench.tick(2 * PAUSE_US)
    assert bench.written == ["3 dB"]


def test_a_card_that_cannot_be_written_to_is_reported_once_until_it_can(
    caplog: pytest.LogCaptureFixture,
) -> None:
    caplog.set_level(logging.INFO)
    bench = Bench()
    bench.fault = OSError(errno.EROFS, "Read-only file system")
    for _ in range(3):
        bench.ask("level")
        bench.tick(2 * PAUSE_US)
    told = "what was learned can't be kept: Read-only file system; playing on without"
    assert caplog.messages == [told]
    bench.fault = None
    bench.ask("level")
    bench.tick(2 * PAUSE_US)
    assert bench.written == ["level"]
    bench.fault = OSError(errno.ENOSPC, "No space left on device")
    bench.ask("level")
    bench.tick(2 * PAUSE_US)
    assert len(caplog.messages) == 2


def test_at_the_end_all_that_waits_is_written_at_once() -> None:
    bench = Bench()
    bench.ask("level")
    bench.ask("history", "the history")
    bench.tick(TICK_US, sounding=1)
    bench.pauses.flush()
    assert bench.written == ["level", "history"]
    assert bench.pauses.pending == []


class SlowCard:
    """A write that takes until it is told to be done."""

    def __init__(self) -> None:
        self.may_end = Event()
        self.written = 0

    def write(self) -> None:
        self.written += self.may_end.wait(10)


def test_a_slow_card_holds_nobody_up_and_at_the_end_is_waited_for(
    caplog: pytest.LogCaptureFixture,
) -> None:
    card, writes = SlowCard(), DeferredWrites(in_thread)
    for name in ("the first", "the second"):
        writes.request(name, lambda: card.write)
    for now_us in (0, PAUSE_US, 2 * PAUSE_US):
        writes.tick(0, 0, now_us)
    assert card.written == 0
    assert writes.pending == ["the first", "the second"]
    card.may_end.set()
    writes.flush()
    assert card.written == 2
    assert writes.pending == caplog.messages == []


def test_a_card_that_hangs_is_not_waited_for_without_end(caplog: pytest.LogCaptureFixture) -> None:
    card, writes = SlowCard(), DeferredWrites(in_thread, at_most_s=0.01)
    for name in ("the first", "the second"):
        writes.request(name, lambda: card.write)
    writes.flush()
    assert card.written == 0
    assert caplog.messages == [
        "the first, the second may be lost: the card did not take it in time"
    ]
    card.may_end.set()


def test_a_fault_on_another_thread_is_reported_too(caplog: pytest.LogCaptureFixture) -> None:
    def write() -> None:
        raise OSError(errno.EIO, "Input/output error")

    writes = DeferredWrites(in_thread)
    writes.request(CARD, lambda: write)
    writes.flush()
    assert caplog.messages == [f"{CARD} can't be kept: Input/output error; playing on without"]


def test_in_a_hurry_all_that_waits_is_written_while_notes_sound_and_nothing_after() -> None:
    bench = Bench()
    for what in ("level", "the history"):
        bench.ask(what, what)
    bench.pauses.hurry()
    bench.tick(2 * TICK_US, sounding=1)
    bench.ask("bindings")
    bench.tick(PAUSE_US, sounding=1)
    assert bench.written == ["level", "the history"]
