"""The note count in words: how many notes, what became of them, and what would have helped.

Units: seconds, dB. Promise: no line is wider than `WIDTH`.
"""

from collections.abc import Callable, Mapping, Sequence

from rich.color import Color
from rich.style import Style
from rich.text import Text

from daemon.drawing.palette import ACCOUNTS
from daemon.key_names import key_name
from daemon.offline.scene import Bar

WIDTH = 79
MEANINGS = {
    "sounding": "still sounding",
    "released": "sounded as long as its key or a pedal held it",
    "died away": "faded away while it was held",
    "stolen": "gave its voice to a newer note",
    "retriggered": "its key was struck again",
    "cut": "its controller was unplugged, or all sound switched off",
    "channel not listened to": "[controller] channels leaves it out",
    "outside every zone": "no [[zones]] has its key",
    "taken as a command": "a gesture, or the end of a drone",
    "inaudible at volume 0": "volume or expression was 0",
    "above half the sample rate": "too high for this sample rate",
    "queue overflow": "came faster than it could be taken",
    "no sound card": "there was nothing to play it on",
}
_LOST = ("stolen", "cut", "retriggered", "inaudible at volume 0")


def count_lines(
    accounts: Mapping[str, int],
    received: int,
    mark: Callable[[str], Text] | None = None,
) -> list[Text]:
    """Return the accounts that have notes, and the proof that none is missing.

    ``mark``: returns what shows an account's notes in a picture above.
    """
    filled = {name: count for name, count in accounts.items() if count}
    wide = max((len(name) for name in filled), default=0)
    lines = []
    for name, count in filled.items():
        words = f"  {name:<{wide}}  {MEANINGS.get(name, '')}"[: WIDTH - 10]
        line = Text("  ").append(mark(name) if mark else "").append(" " * bool(mark))
        lines.append(line.append(f"{count:>6}", _style(name)).append(words))
    verdict = "every one accounted for" if sum(accounts.values()) == received else "NOT ALL FOUND"
    indent = "    " if mark else "  "
    lines.append(Text(f"{indent}{received:>6}  note-ons received, {verdict}"))
    return lines


def lost_lines(bars: Sequence[Bar], polyphony: int, most: int = 20) -> list[Text]:
    """Return a line for each of the first ``most`` notes that did not sound as they were played.

    ``polyphony`` is the one in force: only a larger one would help.
    """
    lost = [bar for bar in bars if bar.account in _LOST]
    lines = [
        Text(f"  {bar.end_s:6.1f} s  {key_name(bar.key):<3} (key {bar.key:>3})  ").append_text(
            Text(bar.account, _style(bar.account)).append(f" {_why(bar, polyphony)}", "default")
        )
        for bar in lost[:most]
    ]
    if len(lost) > most:
        lines.append(Text(f"  and {len(lost) - most} more"))
    stolen = [bar.needed for bar in lost if bar.account == "stolen"]
    if len(stolen) > most and max(stolen) > polyphony:
        lines.append(Text(f"  polyphony = {max(stolen)} would have kept all that were stolen"))
    return lines


def _why(bar: Bar, polyphony: int) -> str:
    if bar.account == "stolen":
        if bar.needed <= polyphony:  # nothing was lost
            return f"{bar.detail} as its key was released"
        return f"{bar.detail}; polyphony = {bar.needed} would have kept it"
    return f"({bar.detail})" if bar.detail else ""


def _style(account: str) -> Style:
    colour = ACCOUNTS.get(account)
    return Style(color=Color.from_rgb(*colour), bold=True) if colour else Style(bold=True)
