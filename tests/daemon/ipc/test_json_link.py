import os
import random
import socket
import struct
import time
from collections.abc import Iterator

import pytest

from daemon.ipc.json_link import MOST_WAITING, Link
from daemon.ipc.messages import (
    Cue,
    Ended,
    Exclusive,
    LogLine,
    Message,
    NewSettings,
    Ready,
    Reply,
    Start,
    Stop,
    encoded,
)

EVERY_KIND: list[Message] = [
    Start({"polyphony": 3}, {"bell": {"level": 0.5}}, {"name": "Market Card"}, "market", 2.0),
    NewSettings({"polyphony": 4}, {"bell": {}}),
    Exclusive(2, b"\xf0\x7e\x7f\x06\x01\xf7"),
    Cue("ready", -40.5),
    Stop(),
    LogLine("Süß\n", "warning"),
    Ready("output 'box'", {"name": "box"}, 48_000, 2.75),
    Reply(1, b"\xf0\xf7"),
    Ended("lost", "'box' went away", "warning"),
]

Pair = tuple[Link, Link]


@pytest.fixture
def pair() -> Iterator[Pair]:
    here, there = Link.pair()
    yield here, there
    here.close()
    there.close()


def all_of(here: Link, there: Link) -> list[Message]:
    """Return what arrives while one end sends what waits and the other reads."""
    messages = there.receive()
    while here.sending:
        here.flush()
        messages += there.receive()
    return messages


def big(number: int) -> NewSettings:
    return NewSettings({"number": number}, {"sounds": [0.1] * 100_000})


def test_every_kind_of_message_arrives_as_it_was_sent(pair: Pair) -> None:
    here, there = pair
    for message in EVERY_KIND:
        here.send(message)
        assert there.receive() == [message]


def test_messages_arrive_whole_and_in_order(pair: Pair) -> None:
    here, there = pair
    chance = random.Random(7)
    for _ in range(50):
        sent: list[Message] = [
            LogLine("Süß " * chance.randrange(2000)) for _ in range(chance.randrange(5))
        ]
        for message in sent:
            here.send(message)
        assert all_of(here, there) == sent
        assert there.receive() == []
    assert there.open


def test_a_message_larger_than_any_buffer_arrives(pair: Pair) -> None:
    here, there = pair
    here.send(big(1))
    assert here.sending
    assert all_of(here, there) == [big(1)]
    assert not here.sending


def test_a_message_that_comes_in_pieces_is_whole_once_its_last_byte_is_there() -> None:
    ours, theirs = socket.socketpair()
    link = Link(theirs)
    body = encoded(Cue("lost", -30.0))
    stream = (struct.pack("<I", len(body)) + body) * 2
    for at in range(len(stream)):
        ours.sendall(stream[at : at + 1])
        whole = [Cue("lost", -30.0)] if (at + 1) % (len(stream) // 2) == 0 else []
        assert link.receive() == whole
    ours.close()
    link.close()


def test_sending_to_one_who_does_not_read_never_waits_and_keeps_the_latest_settings(
    pair: Pair,
) -> None:
    here, there = pair
    began = time.monotonic()
    for number in range(20):
        here.send(big(number))
        here.send(Cue("ready", float(number)))
    assert time.monotonic() - began < 1.0
    messages = all_of(here, there)
    settings = [each.settings["number"] for each in messages if isinstance(each, NewSettings)]
    # The first was half on its way.
    assert settings == [0, 19]
    assert [each.level_db for each in messages if isinstance(each, Cue)] == list(
        map(float, range(20))
    )


def test_of_what_may_be_lost_only_the_latest_wait_and_the_rest_is_never_lost(pair: Pair) -> None:
    here, there = pair
    here.send(big(0))
    here.send(Start({}))
    for number in range(3 * MOST_WAITING):
        here.send(Exclusive(number, b"\xf0\xf7"))
    here.send(Ended("ended", "over"))
    messages = all_of(here, there)
    assert messages[:2] == [big(0), Start({})]
    assert messages[-1] == Ended("ended", "over")
    kept = [each.controller for each in messages if isinstance(each, Exclusive)]
    assert kept == list(range(3 * MOST_WAITING - len(kept), 3 * MOST_WAITING))
    assert len(messages) == MOST_WAITING + 1


@pytest.mark.gig
def test_who_leaves_waits_until_its_last_words_are_gone_but_not_for_ever(pair: Pair) -> None:
    here, there = pair
    child = os.fork()
    if child == 0:
        here.close()
        there.send(big(1))
        there.drain(10.0)
        os._exit(0 if not there.sending else 1)
    there.close()
    messages: list[Message] = []
    while here.open:
        messages += here.receive()
    assert messages == [big(1)]
    assert os.waitpid(child, 0)[1] == 0
    ours, theirs = Link.pair()
    ours.send(big(1))
    began = time.monotonic()
    ours.drain(0.2)
    assert 0.15 < time.monotonic() - began < 2.0
    ours.close()
    theirs.close()


@pytest.mark.gig
def test_the_end_of_the_other_process_is_seen_after_its_last_words() -> None:
    here, there = Link.pair()
    child = os.fork()
    if child == 0:
        here.close()
        there.send(LogLine("farewell"))
        os._exit(0)
    there.close()
    os.waitpid(child, 0)
    # A message that finds nobody any more takes the last words from no one.
    here.send(Stop())
    assert not here.sending
    assert here.open
    assert here.receive() == [LogLine("farewell")]
    assert not here.open
    here.send(Stop())
    assert not here.sending
    assert here.receive() == []
    here.close()


def test_a_closed_link_is_not_open_and_its_other_end_hears_that() -> None:
    here, there = Link.pair()
    here.close()
    assert not here.open
    assert there.receive() == []
    assert not there.open
    there.close()


def test_who_sends_no_more_can_still_hear() -> None:
    here, there = Link.pair()
    here.finish()
    there.send(LogLine("farewell"))
    assert there.receive() == []
    assert not there.open
    assert here.receive() == [LogLine("farewell")]
    assert here.open
    here.close()
    there.close()
