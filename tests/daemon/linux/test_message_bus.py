import random

import pytest

from daemon.linux.message_bus import method_call, split
from daemon.soundcard.speakers import speakers

# What bluealsa 4.3.1 of Debian 13 answered through dbus-daemon 1.16, a speaker being connected.
ANSWER = bytes.fromhex("""
    6c020101f00100001b0000003d00000006017300050000003a312e3134000000080167000d617b6f617b73617b73
    767d7d7d000000000000050175000200000007017300040000003a312e3100000000e80100000000000035000000
    2f6f72672f626c7565616c73612f686369302f6465765f30305f41415f30315f30315f30305f30312f6132647073
    72632f73696e6b000000a8010000110000006f72672e626c7565616c73612e50434d310000008801000000000000
    0600000044657669636500016f000000250000002f6f72672f626c75657a2f686369302f6465765f30305f41415f
    30315f30315f30305f3031000000000000000800000053657175656e636500017500000000000000000009000000
    5472616e73706f7274000173000000000b000000413244502d736f757263650000000000040000004d6f64650001
    73000400000073696e6b000000000700000052756e6e696e670001620000000000000000000006000000466f726d
    6174000171001082080000004368616e6e656c730001790002000000000000000800000053616d706c696e670001
    750080bb00000000000005000000436f64656300017300000000030000005342430012000000436f646563436f6e
    66696775726174696f6e00026179000004000000111502fa000000000500000044656c6179000171000000000f00
    000044656c617941646a7573746d656e7400016e000000000000000000000a000000536f6674566f6c756d650001
    620000000100000006000000566f6c756d65000171007f7f
""")


def test_a_real_answer_is_read_to_its_last_property() -> None:
    message = split(ANSWER + b"l more")
    assert message is not None
    kind, fields, (objects,), rest = message
    assert (kind, fields[5], rest) == (2, 2, b"l more")
    (properties,) = [each["org.bluealsa.PCM1"] for each in objects.values()]
    assert properties["Codec"] == "SBC"
    assert properties["CodecConfiguration"] == [17, 21, 2, 250]
    assert properties["SoftVolume"] is True
    assert properties["Sampling"] == 48_000
    assert properties["Volume"] == 0x7F7F
    (card,) = speakers(objects, {})
    assert (card.rate, card.channels) == (48_000, 2)
    assert card.pcm == "bluealsa:DEV=00:AA:01:01:00:01,PROFILE=a2dp"


def test_a_message_is_read_once_all_of_it_is_there() -> None:
    assert all(split(ANSWER[:length]) is None for length in range(len(ANSWER)))


def test_what_is_asked_is_a_message_itself() -> None:
    call = method_call(7, "org.bluez", "/", "org.freedesktop.DBus.ObjectManager", "Managed")
    message = split(call)
    assert message is not None
    kind, fields, body, rest = message
    assert (kind, body, rest) == (1, [], b"")
    assert fields == {
        1: "/",
        2: "org.freedesktop.DBus.ObjectManager",
        3: "Managed",
        6: "org.bluez",
    }


@pytest.mark.parametrize("seed", range(40))
def test_a_broken_answer_is_refused_or_read_and_nothing_else(seed: int) -> None:
    chance = random.Random(seed)
    faults = set()
    for _ in range(50):
        broken = bytearray(ANSWER)
        for _ in range(chance.randint(1, 4)):
            broken[chance.randrange(len(broken))] = chance.randrange(256)
        try:
            split(bytes(broken))
        except OSError as fault:
            faults.add(str(fault)[:21])
    assert faults <= {"the message bus says "}


def test_an_array_of_nothing_ends() -> None:
    """Its values take no room: a reader that trusted them would never come to the end."""
    head = method_call(1, "a", "/", "b", "c")
    fields = b"\x08\x01g\0\x03a()\0"
    broken = head[:4] + b"\x08\0\0\0" + head[8:12] + len(fields).to_bytes(4, "little")
    broken += fields + bytes(-len(fields) % 8) + b"\x04\0\0\0" + bytes(4)
    with pytest.raises(OSError, match="cannot be read"):
        split(broken)
