"""The event log: what did not go as played, remembered here and on the card, for `partiald why`.

Units: microseconds of the monotonic clock (``_us``), which on a board begins at power-on.
Threads: the main loop's alone, except for warnings that other threads log.

It reads what the player and the ring count anyway; no note passes through it.
"""

import logging
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import Any, Protocol

from config.settings import Settings
from config.toml.wording import counted
from daemon.diagnosis import advice
from daemon.diagnosis.load_model import Load
from daemon.diagnosis.lost_notes import LostNote, LostNotes, note_words
from daemon.diagnosis.rate_limit import Pace
from daemon.diagnosis.timeline import Entry, Timeline, Warnings
from daemon.ipc.counters import Snapshot
from daemon.key_names import key_name
from daemon.linux.battery import BatteryCourse, Point
from daemon.linux.boot import wall_clock_ahead_us, wall_clock_is_set
from daemon.storage import event_file
from daemon.storage.deferred_writes import DeferredWrites, Write
from daemon.storage.event_file import EventFile
from voices.notes.note_count import Note

log = logging.getLogger(__name__)

_WHAT = "what happened"
_MANY = 16
"""Notes entered one by one at each look; in a flood the others are counted together."""
_CLOCK_US = 10_000_000
_CLOCK_STEP_US = 2_000_000


class NoteSource(Protocol):
    """Where the player reports what becomes of notes."""

    missed: int

    def take(self) -> list[Note]:
        """Return what was reported since the last call."""


class EventLog:
    """What one daemon remembers.

    Parameters
    ----------
    clock_us
        The monotonic clock.
    notes
        The player's records; None: notes are not followed one by one.
    file
        The file that survives power-off; None: there is none.
    writes
        When it may be written.
    """

    def __init__(
        self,
        clock_us: Callable[[], int],
        notes: NoteSource | None = None,
        file: EventFile | None = None,
        writes: DeferredWrites | None = None,
    ) -> None:
        self.timeline, self.load = Timeline(), Load()
        self.settings = Settings()
        """Those in force."""
        self.names: Mapping[int, str] = {}
        """The controllers that are there, by number."""
        self.ready_us = 0
        """When sound was possible first; 0: not yet."""
        self._clock_us, self._notes, self._file = clock_us, notes, file
        self._writes = writes or DeferredWrites()
        self._lost = LostNotes()
        self._last = Snapshot()
        self._missed = self._overflowed = 0
        self._ahead_us = self._clock_due_us = self._begun_us = 0
        self._stolen: list[LostNote] = []
        self._stolen_us = 0
        self._pace = Pace()
        self._count = self._written_count = ""
        self._course = BatteryCourse()

    @property
    def boot(self) -> int:
        """The number of this boot; 0: there is no file, so boots are not counted."""
        return self._file.boot if self._file else 0

    def begin(self, course: BatteryCourse | None = None) -> None:
        """Enter the start; the charge of the battery is reported with the rest."""
        self._course = course or self._course
        self._begun_us = self._clock_us()
        if self._file is not None:
            if self._file.is_same_boot:
                self.timeline.add(Entry(self._begun_us, "partiald was started again"))
            self._writes.request(_WHAT, self._compose)

    def warning_handler(self) -> Warnings:
        """Return a handler that puts the log's warnings on the timeline."""
        return Warnings(self.timeline, self._clock_us)

    def tick(self, now_us: int, running: Snapshot | None, accounts: Mapping[str, int]) -> None:
        """Take in what has been counted since the last call."""
        if running is not None:
            self._follow(running, now_us)
        fresh = accounts["queue overflow"] - self._overflowed
        if fresh > 0:
            happened = "was lost: more came at once than the queue holds"
            entry = Entry(now_us, "a note-on", happened, count=fresh, similar="overflow")
            self.timeline.add(entry)
        self._overflowed += fresh
        if self._stolen and self._pace.due(now_us, self._stolen_us):
            self._log_stolen(now_us)
        self._save(now_us, accounts)

    def player_ended(self, last: Snapshot, why: str, now_us: int) -> None:
        """Enter what a player leaves behind; before its accounts are settled."""
        self._follow(last, now_us)
        for lost in self._lost.end(last.frame):
            self._enter(lost, last, now_us, why)
        self._last, self._missed = Snapshot(), self._notes.missed if self._notes else 0

    def unheard(self, time_us: int, controller: int, message: bytes) -> None:
        """Enter a note-on that came while there was no sound card."""
        key, channel = message[1], (message[0] & 0x0F) + 1
        self.timeline.add(
            Entry(
                time_us,
                note_words(key, channel, controller, self.names),
                "was not played: no sound card",
                similar=("no sound card", controller, channel),
                name=key_name(key),
            )
        )

    def stop(self, now_us: int) -> None:
        """Log and write what is left."""
        if self._stolen:
            self._log_stolen(now_us)
        if self._file is not None:
            self._writes.request(_WHAT, partial(self._compose, everything=True))

    def answer(self, boot: int, last: int) -> dict[str, Any]:
        """Return the latest entries of a boot; 0: of this one, below 0: of an earlier one."""
        number = boot if boot > 0 else self.boot + boot
        # As read at the start: to ask again and again costs no reading.
        story = event_file.boot_events(self._file.earlier if self._file else [], number)
        entries = [(each.at_us, each.ready_us, each.text) for each in story.entries]
        count, ahead_us, battery = story.count, story.ahead_us, list(story.battery)
        if number == self.boot:
            own = self.timeline.entries()
            now_us, frame = self._clock_us(), self._last.frame
            own += [self._entry(each, self._last, now_us) for each in self._lost.held(frame)]
            entries += [(each.at_us, self.ready_us, str(each)) for each in own]
            battery += map(_charge, self._course.points)
            count = self._count
            ahead_us = wall_clock_ahead_us() if wall_clock_is_set() else ahead_us
        entries.sort(key=lambda entry: entry[0])
        return event_file.readable_fields(number, entries, count, ahead_us, last, battery)

    def _follow(self, running: Snapshot, now_us: int) -> None:
        before, self._last = self._last, running
        if running.blocks < before.blocks:
            before = Snapshot()
        self.load.look(running)
        if self._notes is not None:
            notes = self._notes.take()
            missed, self._missed = self._notes.missed - self._missed, self._notes.missed
            for number, each in enumerate(self._lost.take(notes, missed=missed > 0)):
                self._enter(each, running, now_us, together=number >= _MANY)
        self._missed_blocks(running, before, now_us)

    def _missed_blocks(self, now: Snapshot, before: Snapshot, now_us: int) -> None:
        """Enter underflows, late messages and silenced blocks."""
        dry = now.underflows - before.underflows
        if dry:
            wait_us = advice.longest_us(now.entry_counts, before.entry_counts)
            wait_us += advice.longest_us(now.render_counts, before.render_counts)
            helps = advice.blocks(wait_us, now.block_frames, now.sample_rate)
            entry = Entry(now_us, "the card", "ran dry", helps, dry, weight=wait_us)
            entry.similar = "underflow"
            self.timeline.add(entry)
        if late := now.late_events - before.late_events:
            self.timeline.add(Entry(now_us, "a message", "came late", "", late, similar="late"))
        if faults := now.faults - before.faults:
            happened = f"was silenced by a fault: {now.last_error}"
            self.timeline.add(Entry(now_us, "a block", happened, "", faults, similar="faults"))

    def _enter(
        self, lost: LostNote, seen: Snapshot, now_us: int, why: str = "", *, together: bool = False
    ) -> None:
        """Put a lost note on the timeline; ``together``: counted with others of its kind."""
        stolen = lost.note.account == "stolen"
        if stolen and lost.needed <= self.settings.polyphony and lost.exact:
            return  # released at the moment it was taken: nothing was missed
        entry = self._entry(lost, seen, now_us, why)
        if together or not (stolen or lost.note.account == "cut"):
            entry.similar = (lost.note.account, lost.note.controller, lost.note.channel)
        self.timeline.add(entry)
        if stolen:
            self._stolen_us = self._stolen_us if self._stolen else now_us
            self._stolen.append(lost)

    def _entry(self, lost: LostNote, seen: Snapshot, now_us: int, why: str = "") -> Entry:
        note, rate = lost.note, seen.sample_rate
        at_us = now_us - round((seen.frame - lost.at_frame) * 1e6 / rate) if rate else now_us
        return Entry(
            min(at_us, now_us),
            note_words(note.key, note.channel, note.controller, self.names),
            lost.happened(rate, why),
            lost.helps(self.settings, self.load),
            name=key_name(note.key),
        )

    def _log_stolen(self, now_us: int) -> None:
        most, many = max(self._stolen, key=lambda each: each.needed), len(self._stolen) > 1
        log.warning(
            "%s gave way to newer ones in the last %d s; %s; 'partiald why' lists them",
            counted(len(self._stolen), "note"),
            max(round((now_us - self._stolen_us) / 1e6), 1),
            advice.polyphony(
                most.needed, self.settings.polyphony, self.load, exact=most.exact, many=many
            ),
        )
        self._pace.logged(now_us)
        self._stolen = []

    # --- what survives power-off ------------------------------------------------------------

    def _save(self, now_us: int, accounts: Mapping[str, int]) -> None:
        counts = [f"{count:,} {name}" for name, count in accounts.items() if count]
        received = f"{counted(sum(accounts.values()), 'note')} received"
        self._count = ": ".join([received, *[", ".join(counts)] * bool(counts)])
        if self._file is None:
            return
        moved = False
        if now_us >= self._clock_due_us:
            self._clock_due_us = now_us + _CLOCK_US
            moved = wall_clock_is_set() and (
                abs(wall_clock_ahead_us() - self._ahead_us) > _CLOCK_STEP_US
            )
        changed = self._count != self._written_count or self._course.unsaved
        if self.timeline.any_settled(now_us) or changed or moved:
            self._writes.request(_WHAT, self._compose)

    def _compose(self, *, everything: bool = False) -> Write:
        assert self._file is not None
        now_us = self._clock_us()
        entries = self.timeline.take_unsaved(None if everything else now_us)
        records = [(event_file.ENTRY, each.at_us, str(each)) for each in entries]
        records += [(event_file.BATTERY, *_charge(each)) for each in self._course.take_unsaved()]
        records.append((event_file.COUNT, now_us, self._count))
        if wall_clock_is_set():
            self._ahead_us = wall_clock_ahead_us()
            records.append((event_file.CLOCK, now_us, str(self._ahead_us)))
        self._written_count = self._count
        return partial(_write, self._file, records, self._begun_us, self.ready_us)


def _charge(point: Point) -> tuple[int, str]:
    return point.at_us, f"{point.percent}{'+' * point.charging}"


def _write(
    file: EventFile, records: Sequence[tuple[int, int, str]], begun_us: int, ready_us: int
) -> None:
    file.begin(begun_us, 0)
    file.write(records, ready_us)
