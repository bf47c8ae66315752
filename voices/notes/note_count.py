"""The note count: what became of every note-on.

Every note-on received stands in exactly one account, so ``received`` is always their sum. A key
that several of the settings' zones play counts once for each of them: so many notes were asked
for. A note is *sounding* while its key or a pedal holds it; then it moves, once, to what ended it.
Three more accounts belong to the daemon, for notes that never reached the instrument.

Units: frames since the start; channels 1 to 16.
"""

from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

ACCOUNTS: tuple[str, ...] = (
    "sounding",
    "released",
    "died away",
    "stolen",
    "retriggered",
    "cut",
    "channel not listened to",
    "outside every zone",
    "taken as a command",
    "inaudible at volume 0",
    "above half the sample rate",
    "queue overflow",
    "no sound card",
)
REMEMBERED = 512
NEUTRAL = 64
"""The release velocity of keys that have none (MIDI 1.0, p. 10)."""


@dataclass(slots=True)
class Note:
    """One note-on and what became of it."""

    serial: int
    controller: int
    channel: int
    key: int
    velocity: int
    on_frame: int
    held_until: int | None = None
    """The frame at which key and pedals are up; None while held."""
    ended_frame: int | None = None
    """The frame at which it moved to its account; None while sounding."""
    account: str = "sounding"
    detail: str = ""
    taken_by: int = 0
    """The serial of the note that took its voice, or struck its key again; 0: none did."""
    sounding_key: int = field(default=-1, compare=False)
    """The key whose pitch it has, its own or another; the instrument's alone."""


def _no_listener(_: Note) -> None:
    """Do nothing."""


class Ledger:
    """Counts by account, and the latest notes one by one."""

    def __init__(self) -> None:
        self.received = 0
        self.layered = 0
        """How many of them a key asked for beyond its first."""
        self.notify: Callable[[Note], None] = _no_listener
        """Called with every note that begins, ends, is released when stolen, or is refused. It
        must copy what it needs: the note goes on changing. On the audio path."""
        self.notes: deque[Note] = deque(maxlen=REMEMBERED)
        self._counts = dict.fromkeys(ACCOUNTS, 0)

    def accounts(self) -> dict[str, int]:
        """Return the count in every account; their sum is `received`."""
        return dict(self._counts)

    def note_on(self, controller: int, channel: int, key: int, velocity: int, frame: int) -> Note:
        """Book a note-on as sounding."""
        self.received += 1
        note = Note(self.received, controller, channel, key, velocity, frame)
        self.notes.append(note)
        self._counts["sounding"] += 1
        self.notify(note)
        return note

    def end(
        self, note: Note, account: str, frame: int, detail: str = "", taken_by: int = 0
    ) -> None:
        """Move a sounding note to what ended it; one that has ended stays where it is."""
        if note.account != "sounding":
            return
        self._counts["sounding"] -= 1
        self._counts[account] += 1
        note.account = account
        note.ended_frame = frame
        note.detail, note.taken_by = detail, taken_by
        if account != "stolen":
            note.held_until = frame
        self.notify(note)

    def end_hold(self, note: Note, frame: int) -> None:
        """Note when key and pedal of a stolen note are up."""
        note.held_until = frame
        self.notify(note)

    def refuse_note(
        self, account: str, controller: int, channel: int, key: int, velocity: int, frame: int
    ) -> None:
        """Book a note-on that cannot sound."""
        self.refuse(account)
        note = Note(self.received, controller, channel, key, velocity, frame, frame, frame)
        note.account = account
        self.notify(note)

    def refuse(self, account: str, count: int = 1) -> None:
        """Book note-ons of which no more is known."""
        self.received += count
        self._counts[account] += count


def polyphony_needed(note: Note, notes: Iterable[Note], now: int) -> int:
    """Return the smallest polyphony with which ``note`` would have been held to its end.

    ``notes`` are those of the ledger; one still held counts as held until ``now``. With oldest-note
    stealing, a note is stolen exactly when more notes are held than there are voices and it is the
    oldest among those that still have one. So it needs the largest number of notes held at one
    time, from its own onset until its key and pedal are up, that are not older than itself. Tails
    are left out: they give way first.
    """
    end = now if note.held_until is None else note.held_until
    if note.ended_frame is not None:  # its key may come up in the very frame in which it is stolen
        end = max(end, note.ended_frame + 1)
    edges = []
    for other in notes:
        if other.serial < note.serial or other.on_frame >= end:
            continue
        edges.append((other.on_frame, 1))
        released = other.held_until
        if released is None or other.serial == note.serial:
            released = end
        edges.append((min(released, end), -1))
    held, most = 0, 1
    for _, change in sorted(edges):
        held += change
        most = max(most, held)
    return most
