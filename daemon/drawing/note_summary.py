"""The note count in words: how many notes, what became of them, and what would have helped.

Units: seconds, dB. Promise: no line is wider than `WIDTH`.
"""

from collections.abc import Mapping, Sequence

from rich.color import Color
from rich.style import Style
from rich.text import Text

from daemon.key_names import key_name
from daemon.offline.scene import Bar

WIDTH = 79
# Lighter than on paper: they have to stand out on black as well as on white.
TERMINAL_FATES: dict[str, tuple[int, int, int]] = {
    "released": (64, 160, 176),
    "sounding": (64, 160, 176),
    "died away": (140, 176, 184),
    "stolen": (232, 104, 72),
    "retriggered": (226, 172, 58),
    "cut": (178, 100, 182),
}
MEANINGS = {
    "sounding": "still sounding",
    "released": "sounded as long as key or pedal held it",
    "died away": "faded by itself while it was held",
    "stolen": "gave its voice to a newer note",
    "retriggered": "its key was struck again",
    "cut": "its controller was unplugged, or all sound was switched off",
    "channel not listened to": "[controller] channels leaves it out",
    "inaudible at volume 0": "volume or expression was 0",
    "above half the sample rate": "too high for this sample rate",
    "queue overflow": "came faster than it could be taken",
    "no sound card": "nothing there to sound through",
}
_LOST = ("stolen", "cut", "retriggered", "inaudible at volume 0")


def count_lines(accounts: Mapping[str, int], received: int) -> list[Text]:
    """Return the accounts that have notes, and the proof that none is missing."""
    filled = {name: count for name, count in accounts.items() if count}
    wide = max((len(name) for name in filled), default=0)
    lines = [
        Text("  ")
        .append(f"{count:>6}", _style(name))
        .append(f"  {name:<{wide}}  {MEANINGS.get(name, '')}"[: WIDTH - 8])
        for name, count in filled.items()
    ]
    verdict = "every one accounted for" if sum(accounts.values()) == received else "NOT ALL FOUND"
    lines.append(Text(f"  {received:>6}  note-ons received, {verdict}"))
    return lines


def lost_lines(bars: Sequence[Bar], polyphony: int, most: int = 20) -> list[Text]:
    """Return a line for each note that did not sound as it was played, the first ``most``.

    ``polyphony`` is the one in force: only a larger one is a remedy.
    """
    lost = [bar for bar in bars if bar.account in _LOST]
    lines = [
        Text(f"  {bar.ended_s:6.1f} s  {key_name(bar.key):<3} (key {bar.key:>3})  ").append_text(
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
        if bar.needed <= polyphony:  # let go at the moment it was taken: nothing was lost
            return f"{bar.detail} as its key was let go"
        return f"{bar.detail}; polyphony = {bar.needed} would have kept it"
    return f"({bar.detail})" if bar.detail else ""


def _style(account: str) -> Style:
    colour = TERMINAL_FATES.get(account)
    return Style(color=Color.from_rgb(*colour), bold=True) if colour else Style(bold=True)
