"""How many notes at once would have kept a stolen note.

A pure look back at the ledger's notes: with oldest-note stealing, a note is taken exactly when
more notes are held than there are voices and it is the oldest among those that still have one.
So what it needs is the largest number of notes held at one time, from its own onset until its
key and pedal let go, that are not older than itself. Tails are left out: they give way first.
"""

from collections.abc import Iterable

from voices.notes.note_count import Note


def needed(note: Note, notes: Iterable[Note], now: int) -> int:
    """Return the smallest polyphony with which ``note`` would have been held to its end.

    ``notes`` are those of the ledger; a note still held counts as held until ``now``.
    """
    end = now if note.held_until is None else note.held_until
    if note.ended_frame is not None:  # its key may go in the very frame in which it is stolen
        end = max(end, note.ended_frame + 1)
    edges = []
    for other in notes:
        if other.serial < note.serial or other.on_frame >= end:
            continue
        edges.append((other.on_frame, 1))
        let_go = other.held_until
        if let_go is None or other.serial == note.serial:
            let_go = end
        edges.append((min(let_go, end), -1))
    held, most = 0, 1
    for _, change in sorted(edges):
        held += change
        most = max(most, held)
    return most
