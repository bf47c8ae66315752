"""A Standard MIDI File as messages in time.

Units: seconds from the start of the song; ticks inside. Source of every rule: Standard MIDI
Files 1.0 (RP-001): formats 0 to 2, tempo map, time-code division, running status.

Promise: `read` returns a song that can be played, or raises `RunError` with one line. ``repairs``
has a line for each irregularity in the file and how it was understood. Library readers refuse much
that players accept and do not know time-code division; hence this one.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path

from daemon.errors import RunError

DEFAULT_TEMPO_US = 500_000
"""Microseconds per quarter note where the file does not say: 120 a minute."""
# Frames per second by the code in the division; 29 is the drop-frame count of 30000/1001.
TIME_CODES = {24: (24, 1), 25: (25, 1), 29: (30_000, 1001), 30: (30, 1)}
_LENGTHS = {0x8: 2, 0x9: 2, 0xA: 2, 0xB: 2, 0xC: 1, 0xD: 1, 0xE: 2}
_SYSTEM_LENGTHS = {0xF1: 1, 0xF2: 2, 0xF3: 1}
_END_OF_TRACK, _TEMPO = 0x2F, 0x51


@dataclass(frozen=True)
class Song:
    """The content of a file, in the order of time."""

    events: list[tuple[float, bytes]]
    """Time in seconds and the bytes of one message: a channel's, or a system exclusive one."""
    length_s: float
    """When the last track ends."""
    tracks: int
    repairs: list[str]

    @property
    def notes(self) -> int:
        """How many note-ons there are."""
        return sum(1 for _, message in self.events if message[0] >> 4 == 9 and message[2] > 0)


@dataclass
class _Track:
    messages: list[tuple[int, bytes]] = field(default_factory=list)
    tempi: list[tuple[int, int]] = field(default_factory=list)
    end: int = 0
    ended: bool = False
    faults: list[str] = field(default_factory=list)


def read(path: Path) -> Song:
    """Return the song in the file at ``path``.

    Raises
    ------
    RunError
        If there is no such file, or it is not a Standard MIDI File that can be played.
    """
    try:
        if path.is_dir():
            raise RunError(f"{path}: is a folder, not a MIDI file")
        if not path.exists():
            raise RunError(f"{path}: no such file")
        if not path.is_file():
            raise RunError(f"{path}: is not a regular file")
        with path.open("rb") as file:
            content = file.read(64)
            if not content:
                raise RunError(f"{path}: is empty, not a MIDI file")
            if not content.startswith((b"MThd", b"RIFF")):
                raise RunError(f"{path}: is not a Standard MIDI File (it does not begin with MThd)")
            content += file.read()
    except OSError as fault:
        raise RunError(f"{path}: can't be read: {fault.strerror}") from fault
    return parse(content, str(path))


def parse(content: bytes, where: str) -> Song:
    """Return the song in the content of a file; ``where`` names it in faults."""
    if content.startswith(b"RIFF"):  # RP-029: a MIDI file inside a RIFF file
        start = content.find(b"MThd")
        if content[8:12] != b"RMID" or start < 0:
            raise RunError(f"{where}: is not a Standard MIDI File (a RIFF file of another kind)")
        content = content[start:]
    if not content.startswith(b"MThd"):
        raise RunError(f"{where}: is not a Standard MIDI File (it does not begin with MThd)")
    if len(content) < 14:
        raise RunError(f"{where}: truncated inside its header")
    kind = int.from_bytes(content[8:10], "big")
    promised = int.from_bytes(content[10:12], "big")
    seconds_of = _division(content[12:14], where)
    repairs: list[str] = []
    if kind > 2:
        repairs.append(f"format {kind} is unknown, taken as 1")
    tracks = list(_tracks(content, where, promised, repairs))
    if not tracks:
        raise RunError(f"{where}: truncated or damaged: no track in it")
    for number, track in enumerate(tracks, 1):
        repairs += [f"track {number}: {fault}" for fault in track.faults]
    # Format 2 holds independent pieces, each with its own tempo: one plays after the other.
    pieces = [[track] for track in tracks] if kind == 2 else [tracks]
    events: list[tuple[float, bytes]] = []
    start_s = 0.0
    for piece in pieces:
        start_s = _place(piece, seconds_of, start_s, events)
    return Song(events, start_s, len(tracks), repairs)


class _Division:
    """Seconds from ticks: one tick lasts ``top / bottom`` seconds, times the tempo if metric."""

    def __init__(self, top: int, bottom: int, *, metric: bool) -> None:
        self.top, self.bottom, self.metric = top, bottom, metric


def _division(two: bytes, where: str) -> _Division:
    """Read the last word of the header."""
    if two[0] < 0x80:
        ticks = int.from_bytes(two, "big")
        if ticks == 0:
            raise RunError(f"{where}: damaged header: 0 ticks to a quarter note")
        return _Division(1, ticks * 1_000_000, metric=True)
    code = 256 - two[0]
    if code not in TIME_CODES or two[1] == 0:
        raise RunError(f"{where}: damaged header: time code {code} with {two[1]} ticks a frame")
    rate, over = TIME_CODES[code]
    return _Division(over, rate * two[1], metric=False)


def _tracks(content: bytes, where: str, promised: int, repairs: list[str]) -> Iterator[_Track]:
    """Yield each track; chunks of other kinds are skipped, as the standard asks."""
    at = 8 + int.from_bytes(content[4:8], "big")
    found = 0
    while at + 8 <= len(content):
        name, size = content[at : at + 4], int.from_bytes(content[at + 4 : at + 8], "big")
        body = content[at + 8 : at + 8 + size]
        at += 8 + size
        if name != b"MTrk":
            if not name.isascii() and found >= promised:
                repairs.append(
                    f"{len(content) - at + 8 + size} bytes after the last track left out"
                )
                break
            continue
        found += 1
        track = _read_track(body)
        if len(body) < size:
            if not track.ended:
                raise RunError(
                    f"{where}: truncated: track {found} of {promised} lacks "
                    f"{size - len(body)} of its {size} bytes"
                )
            track.faults.append("is shorter than it says, but complete")
        yield track
    if found < promised and at < len(content):
        raise RunError(f"{where}: truncated: it ends inside track {found + 1} of {promised}")
    if found != promised:
        repairs.append(f"the header says {promised} tracks, the file has {found}")


class _DamageError(Exception):
    """The rest of a track can't be read."""


def _read_track(body: bytes) -> _Track:
    """Return one track; where it is damaged, it ends, and says so."""
    track = _Track()
    try:
        _read_events(body, track)
    except _DamageError as fault:
        track.faults.append(f"{fault}; the rest of the track is left out")
    else:
        if not track.ended:
            track.faults.append("has no end-of-track; it ends with its last event")
    return track


def _read_events(body: bytes, track: _Track) -> None:
    at, status, cancelled, clipped = 0, 0, False, 0
    while at < len(body) and not track.ended:
        delta, at = _number(body, at)
        track.end += delta
        if at >= len(body):
            raise _DamageError("breaks off inside an event")
        first = body[at]
        if first == 0xFF:
            if at + 1 >= len(body):
                raise _DamageError("breaks off inside an event")
            kind = body[at + 1]
            size, at = _number(body, at + 2)
            text, at, cancelled = _take(body, at, size), at + size, True
            track.ended = kind == _END_OF_TRACK
            if kind == _TEMPO and size >= 3 and any(text[:3]):
                track.tempi.append((track.end, int.from_bytes(text[:3], "big")))
        elif first in (0xF0, 0xF7):
            size, at = _number(body, at + 1)
            rest = _take(body, at, size)
            # Whole messages only: pieces of one, and other bytes after F7, are skipped.
            if first == 0xF0 and rest[-1:] == b"\xf7":
                track.messages.append((track.end, b"\xf0" + rest))
            at, cancelled = at + size, True
        elif first > 0xF0:
            track.faults.append(f"a live message {first:02X}H has no place in a file; left out")
            at += 1 + _SYSTEM_LENGTHS.get(first, 0)
        else:
            if first >= 0x80:
                status, cancelled, at = first, False, at + 1
            elif not status:
                raise _DamageError("an event without a status")
            elif cancelled:
                cancelled = False
                if "running status" not in " ".join(track.faults):
                    track.faults.append("running status after a meta event, taken as meant")
            size = _LENGTHS[status >> 4]
            values = _take(body, at, size)
            clipped += sum(value > 127 for value in values)
            track.messages.append((track.end, bytes((status, *(min(v, 127) for v in values)))))
            at += size
    if clipped:
        track.faults.append(f"{clipped} values over 127 taken as 127")


def _take(body: bytes, at: int, size: int) -> bytes:
    if at + size > len(body):
        raise _DamageError("breaks off inside an event")
    return body[at : at + size]


def _number(body: bytes, at: int) -> tuple[int, int]:
    """Return the variable-length number at ``at``, four bytes at most, and what follows."""
    value = 0
    for length in count(1):
        byte = _take(body, at, 1)[0]
        value, at = value << 7 | byte & 0x7F, at + 1
        if byte < 0x80:
            break
        if length == 4:
            raise _DamageError("a number longer than four bytes")
    return value, at


def _place(
    piece: list[_Track], division: _Division, start_s: float, events: list[tuple[float, bytes]]
) -> float:
    """Append the messages of tracks that play together; return when they end."""
    # The standard keeps tempi in the first track; files that do not mean them for all tracks, too.
    tempi = [tempo for track in piece for tempo in track.tempi] if division.metric else []
    tempi.sort(key=lambda tempo: tempo[0])  # of two at one tick the later one in the file counts
    messages = [message for track in piece for message in _ends_first(track.messages)]
    messages.sort(key=lambda message: message[:2])  # stable: the order of the tracks holds
    # Integers keep hours of music exact: ``elapsed`` counts ticks times tempo.
    elapsed, since, following = 0, 0, 0
    tempo = DEFAULT_TEMPO_US if division.metric else 1

    def seconds(tick: int) -> float:
        nonlocal elapsed, since, following, tempo
        while following < len(tempi) and tempi[following][0] <= tick:
            change, following_tempo = tempi[following]
            elapsed += (change - since) * tempo
            since, tempo = change, following_tempo
            following += 1
        return start_s + (elapsed + (tick - since) * tempo) * division.top / division.bottom

    events.extend([(seconds(tick), message) for tick, _, message in messages])
    return seconds(max(track.end for track in piece))


def _ends_first(messages: list[tuple[int, bytes]]) -> Iterator[tuple[int, bool, bytes]]:
    """Yield tick, whether it comes late at its tick, and message.

    The standard does not order tracks among themselves. The note-offs with which a track begins a
    tick come before what other tracks have there; otherwise the notes that start would take the
    voices of notes that end at the same moment. Inside a track the order stays.
    """
    now, late = -1, False
    for tick, message in messages:
        if tick != now:
            now, late = tick, False
        ends = message[0] >> 4 == 8 or (message[0] >> 4 == 9 and message[2] == 0)
        late = late or not ends
        yield tick, late, message
