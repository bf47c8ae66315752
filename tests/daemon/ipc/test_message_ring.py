import mmap
import os
import random
import threading
from collections import deque

import pytest

from daemon.ipc.message_ring import SLOTS, MessageRing

NOTE = (0x90, 60, 100)


def fresh() -> memoryview:
    return memoryview(bytearray(MessageRing.SIZE))


def test_zeroed_memory_is_an_empty_ring() -> None:
    ring = MessageRing(fresh())
    assert ring.get() is None
    assert (ring.waiting, ring.overflows, ring.overflowed_notes, ring.notes) == (0, 0, 0, 0)


@pytest.mark.parametrize("start", [0, 1, SLOTS - 3, 65_532 * SLOTS - 5, 70_000 * SLOTS])
def test_what_goes_in_comes_out_unchanged_and_in_order(start: int) -> None:
    memory, chance = fresh(), random.Random(start)
    words = memory.cast("Q")
    words[0] = words[1] = start  # also where the lap's number wraps
    ring, model = MessageRing(memory), deque[tuple[int, int, bytes]]()
    for _ in range(20_000):
        if chance.random() < 0.5:
            assert ring.get() == (model.popleft() if model else None)
            continue
        whole = (chance.randrange(0x80, 0x100), chance.randrange(128), chance.randrange(128))
        message = whole[: chance.randrange(1, 4)]
        time_us, controller = chance.randrange(1 << 48), chance.randrange(1 << 16)
        assert ring.put(message, time_us, controller)
        model.append((time_us, controller, bytes(message)))
        assert ring.waiting == len(model)
    assert [ring.get() for _ in range(len(model))] == list(model)
    assert ring.get() is None


def test_a_full_ring_refuses_counts_and_keeps_what_it_has() -> None:
    ring = MessageRing(fresh())
    accepted = 0
    while ring.put(NOTE, accepted, 3):
        accepted += 1
    ring.put((0xB0, 7, 100), 0, 0)
    ring.put((0x90, 60, 0), 0, 0)  # velocity 0 is a note-off (MIDI 1.0, Table II)
    assert accepted == ring.notes == ring.waiting
    assert SLOTS // 2 < accepted < SLOTS
    assert (ring.overflows, ring.overflowed_notes) == (3, 1)
    assert ring.take_lost_notes() == 1
    assert ring.take_lost_notes() == 0
    assert ring.get() == (0, 3, bytes(NOTE))
    assert ring.put(NOTE, 7, 3)
    taken = [ring.get() for _ in range(accepted)]
    assert taken[-1] == (7, 3, bytes(NOTE))
    assert [record[0] for record in taken if record][:-1] == list(range(1, accepted))


def test_another_consumer_continues_where_the_first_one_ended() -> None:
    memory = fresh()
    producer = MessageRing(memory)
    for time_us in range(5):
        producer.put(NOTE, time_us, 0)
    first = MessageRing(memory)
    assert [first.get(), first.get()] == [(0, 0, bytes(NOTE)), (1, 0, bytes(NOTE))]
    assert MessageRing(memory).get() == (2, 0, bytes(NOTE))


def test_half_a_record_is_not_a_record() -> None:
    for torn in (0, 1):
        memory = fresh()
        ring = MessageRing(memory)
        ring.put(NOTE, 1, 0)
        words = memory.cast("Q")
        words[8 + torn] = 0
        assert ring.get() is None


def test_threads_of_the_producer_lose_nothing() -> None:
    ring = MessageRing(fresh())

    def play(controller: int) -> None:
        for time_us in range(400):
            ring.put(NOTE, time_us, controller)

    threads = [threading.Thread(target=play, args=(n,)) for n in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    taken = [ring.get() for _ in range(1600)]
    for controller in range(4):
        times = [record[0] for record in taken if record and record[1] == controller]
        assert times == list(range(400))


@pytest.mark.gig
def test_messages_cross_from_one_process_to_another() -> None:
    memory = mmap.mmap(-1, MessageRing.SIZE)
    ring, total = MessageRing(memoryview(memory)), 20_000
    child = os.fork()
    if child == 0:
        sent = 0
        while sent < total:
            sent += ring.put((0x90, sent & 127, 1 + sent % 127), sent, sent & 7)
        os._exit(0)
    received = 0
    while received < total:
        record = ring.get()
        if record is not None:
            expected = bytes((0x90, received & 127, 1 + received % 127))
            assert record == (received, received & 7, expected)
            received += 1
    assert os.waitpid(child, 0)[1] == 0
