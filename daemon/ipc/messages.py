"""What keeper, fork server and player say to one another.

Units: dB below full scale, seconds, frames per second, milliseconds (``_ms``).
Shapes: settings, sounds and cards travel as plain values; who takes them validates them again.
"""

import enum
import json
from collections.abc import Mapping, Sequence
from typing import Any, Literal, NamedTuple

Level = Literal["debug", "info", "warning", "error"]

CUE_PATTERNS: dict[str, tuple[tuple[int, float], ...]] = {
    "ready": ((67, 0.11), (71, 0.11), (74, 0.22)),
    "found": ((74, 0.09), (79, 0.14)),
    "lost": ((74, 0.09), (67, 0.14)),
    "refused": ((60, 0.12), (59, 0.12), (60, 0.12), (59, 0.2)),
    "unwell": ((55, 0.25), (55, 0.25), (55, 0.25)),
    "gesture": ((76, 0.07),),
    "forgotten": ((76, 0.12), (69, 0.12), (64, 0.12), (57, 0.3)),
    "farewell": ((79, 0.2), (74, 0.2), (71, 0.2), (67, 0.6)),
}
"""MIDI key and seconds of each tone of a cue; sines, one after the other."""


class PlayerState(enum.Enum):
    """Where a player is in its life."""

    IDLE = enum.auto()
    """There is none."""
    OPENING = enum.auto()
    """It has been started and opens its card."""
    PLAYING = enum.auto()
    STOPPING = enum.auto()
    """It has been asked to end; nothing it says leads back to playing."""


@enum.unique
class ExitStatus(enum.IntEnum):
    """Why a player left."""

    ASKED = 0
    FAULT = 1
    """The instrument failed block after block, or the player itself did."""
    REFUSED = 3
    """No card, or none that could be opened."""
    LOST = 4
    """The card, or the sound server, went away."""


class Start(NamedTuple):
    """To the fork server: make a player."""

    settings: dict[str, Any]
    sounds: Mapping[str, Any] = {}
    """The owner's sounds by name, as `Sound.model_dump` gives them."""
    card: Mapping[str, Any] = {}
    """`Card.as_plain`; empty: the player looks itself, by the settings' device name."""
    known_card: str = ""
    """The identity of the card played on before: on any other the sound grows out of silence."""
    patience_s: float = 0.0
    """How long it waits for a card that has just come to be ours to open."""
    programs: bool = False
    """Whether program changes have chosen sounds already, which must then be ready at once."""


class Stop(NamedTuple):
    """To the fork server: have the player fade out and end, at the latest by force."""


class NewSettings(NamedTuple):
    """To the player; of several that wait to be sent only the latest goes."""

    settings: dict[str, Any]
    sounds: Mapping[str, Any] = {}


class Exclusive(NamedTuple):
    """To the player: a system exclusive message, too long for the ring."""

    controller: int
    message: bytes


class Cue(NamedTuple):
    """To the player: sound one of `CUE_PATTERNS`."""

    name: str
    level_db: float


class LogLine(NamedTuple):
    """From the player: a line for the log."""

    text: str
    level: Level = "info"


class Ready(NamedTuple):
    """From the player: its card is open and takes blocks."""

    text: str
    """The output in words."""
    card: dict[str, Any]
    """As plain values."""
    sample_rate: int
    delay_ms: float
    """From a rendered block to the card."""


class Reply(NamedTuple):
    """From the player: what the instrument answers to a controller."""

    controller: int
    message: bytes


class Gesture(NamedTuple):
    """From the player: a key was taken as a command."""

    controller: int
    words: str
    """The command, and what has come of it; empty: only ``moves`` are told."""
    octave: int
    """Of that controller, from now on; and by how many keys it is transposed."""
    transposed: int
    zones_off: list[int]
    """The zones that are switched off, counted from 1."""
    channel: int
    program: int
    """A sound that was chosen, as on the wire; -1: none was."""
    moves: Sequence[tuple[str, int, float]] = ()
    """Where it is kept, what knobs have made of the sound: target, which one, value."""


class Ended(NamedTuple):
    """From the player or about it: it is gone, and another may be started."""

    cause: Literal["refused", "lost", "ended"]
    """No card, or none that opens; the card went away; asked to, killed, or failed."""
    text: str
    level: Level = "info"


ForPlayer = NewSettings | Exclusive | Cue
FromPlayer = LogLine | Ready | Reply | Gesture | Ended
Message = Start | Stop | ForPlayer | FromPlayer

_KINDS: dict[str, type[Message]] = {
    kind.__name__: kind
    for kind in (Start, Stop, NewSettings, Exclusive, Cue, LogLine, Ready, Reply, Gesture, Ended)
}
_BYTES = {
    name: [each for each, form in kind.__annotations__.items() if form is bytes]
    for name, kind in _KINDS.items()
}


def encoded(message: Message) -> bytes:
    """Return a message as JSON; bytes in hexadecimal."""
    plain = {"kind": type(message).__name__, **message._asdict()}
    return json.dumps(plain, default=bytes.hex).encode()


def decoded(body: bytes | bytearray) -> Message:
    """Return the message that was encoded."""
    plain = json.loads(body)
    name = plain.pop("kind")
    for each in _BYTES[name]:
        plain[each] = bytes.fromhex(plain[each])
    return _KINDS[name](**plain)
