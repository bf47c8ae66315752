"""A lost note in words: which, what happened to it, what would have helped.

Units: frames of the player's stream.
"""

from collections.abc import Mapping

from config.settings import Settings
from daemon.diagnosis import advice
from daemon.diagnosis.load_model import Load
from daemon.diagnosis.lost_notes import StolenNotes
from daemon.key_names import key_name


def note_words(key: int, channel: int, controller: int, names: Mapping[int, str]) -> str:
    """Return which note it is; its controller too, if there are several."""
    words = f"{key_name(key)} ({key}) on channel {channel}"
    if len(names) > 1 or (names and controller not in names):
        words += f" of '{names[controller]}'" if controller in names else ""
    return words


def happened(lost: StolenNotes, sample_rate: int, why: str = "") -> str:
    """Return what happened; ``why``: what ended the player, if that is what ended the note."""
    note = lost.note
    after = f"after {(lost.at_frame - note.on_frame) / sample_rate:.1f} s" if sample_rate else ""
    if note.account == "stolen":
        taker = f"({note.detail})" if note.detail else f"to {lost.by or 'a newer note'}"
        return f"gave its voice {taker} {after}".rstrip()
    if note.account == "cut":
        return f"was cut {after}: {note.detail or why}"
    if note.account == "channel not listened to":
        return "was not played: its channel is not listened to"
    if note.account == "above half the sample rate":
        return f"was not played: too high for {sample_rate:,} Hz"
    return f"was not heard: {note.detail or note.account}"


def helps(lost: StolenNotes, settings: Settings, load: Load) -> str:
    """Return what would have helped, with the key to change; empty: no setting does."""
    note = lost.note
    if note.account == "stolen":
        return advice.polyphony(lost.needed, settings.polyphony, load, exact=lost.exact)
    if note.account == "channel not listened to":
        return advice.channels(note.channel, settings)
    if note.account == "inaudible at volume 0":
        return f"turn volume (CC 7) and expression (CC 11) of channel {note.channel} up"
    return ""
