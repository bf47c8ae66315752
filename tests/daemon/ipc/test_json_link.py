import os
import random
import threading

import pytest

from daemon.ipc.json_link import Link


def test_objects_arrive_whole_and_in_order() -> None:
    chance = random.Random(7)
    here, there = Link.pair()
    for _ in range(50):
        sent = [
            {"kind": "Süß\n", "n": n, "values": [chance.random()] * chance.randrange(2000)}
            for n in range(chance.randrange(5))
        ]
        for fields in sent:
            assert here.send(**fields)
        assert there.receive() == sent
        assert there.receive() == []
    assert there.open
    here.close()
    there.close()


def test_an_object_larger_than_any_buffer_arrives() -> None:
    here, there = Link.pair()
    sounds = {f"sound-{n}": [0.1] * 1000 for n in range(200)}
    sender = threading.Thread(target=here.send, kwargs={"sounds": sounds})
    sender.start()
    received: list[dict[str, object]] = []
    while not received:
        received = there.receive()
    sender.join()
    assert received == [{"sounds": sounds}]
    here.close()
    there.close()


@pytest.mark.gig
def test_the_end_of_the_other_process_is_seen_after_its_last_words() -> None:
    here, there = Link.pair()
    child = os.fork()
    if child == 0:
        here.close()
        there.send(kind="farewell")
        os._exit(0)
    there.close()
    os.waitpid(child, 0)
    assert here.receive() == [{"kind": "farewell"}]
    assert not here.open
    assert not here.send(kind="too late")
    assert here.receive() == []
    here.close()
