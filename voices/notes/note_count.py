"""The note count: what became of every note-on.

Every note-on received stands in exactly one account, so ``received`` is always their sum. A note
is *sounding* while its key or a pedal holds it; then it moves, once, to what ended it. Three more
accounts belong to the daemon, for notes that never reached the instrument.

Units: frames since the start; channels 1 to 16.
"""

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

ACCOUNTS: tuple[str, ...] = (
    "sounding",
    "released",
    "died away",
    "stolen",
    "retriggered",
    "cut",
    "channel not listened to",
    "inaudible at volume 0",
    "above half the sample rate",
    "queue overflow",
    "no sound card",
)
REMEMBERED = 512


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
    """The frame at which key and pedals let go; None while held."""
    ended_frame: int | None = None
    """The frame at which it moved to its account; None while sounding."""
    account: str = "sounding"
    detail: str = ""
    taken_by: int = 0
    """The serial of the note that took its voice, or struck its key again; 0: none did."""


def _nobody(_: Note) -> None:
    """Hear of a note and do nothing."""


class Ledger:
    """Counts by account, and the latest notes one by one."""

    def __init__(self) -> None:
        self.received = 0
        self.tell: Callable[[Note], None] = _nobody
        """Called with every note that is struck, ends, is let go, or is turned away. Who listens
        takes what it needs at once: the note goes on changing. On the audio path."""
        self.notes: deque[Note] = deque(maxlen=REMEMBERED)
        self._counts = dict.fromkeys(ACCOUNTS, 0)

    def accounts(self) -> dict[str, int]:
        """Return the count in every account; their sum is `received`."""
        return dict(self._counts)

    def strike(self, controller: int, channel: int, key: int, velocity: int, frame: int) -> Note:
        """Book a note-on as sounding."""
        self.received += 1
        note = Note(self.received, controller, channel, key, velocity, frame)
        self.notes.append(note)
        self._counts["sounding"] += 1
        self.tell(note)
        return note

    def settle(
        self, note: Note, account: str, frame: int, detail: str = "", taken_by: int = 0
    ) -> None:
        """Move a sounding note to what ended it; a note that is settled stays where it is."""
        if note.account != "sounding":
            return
        self._counts["sounding"] -= 1
        self._counts[account] += 1
        note.account = account
        note.ended_frame = frame
        note.detail, note.taken_by = detail, taken_by
        if account != "stolen":
            note.held_until = frame
        self.tell(note)

    def let_go(self, note: Note, frame: int) -> None:
        """Say that key and pedal have let go of a stolen note."""
        note.held_until = frame
        self.tell(note)

    def turn_away(
        self, account: str, controller: int, channel: int, key: int, velocity: int, frame: int
    ) -> None:
        """Book a note-on that cannot sound."""
        self.refuse(account)
        note = Note(self.received, controller, channel, key, velocity, frame, frame, frame)
        note.account = account
        self.tell(note)

    def refuse(self, account: str, count: int = 1) -> None:
        """Book note-ons of which no more is known."""
        self.received += count
        self._counts[account] += count
