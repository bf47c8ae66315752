"""What would have helped: the key to change, computed from what was measured.

Units: microseconds, frames, shares of a block's time.
"""

from collections.abc import Sequence
from typing import get_args

from config.settings import Audio, Settings
from daemon.diagnosis.load_model import Load
from daemon.player.governor import HIGH

MOST_NOTES = 256
BLOCKS: tuple[int, ...] = get_args(Audio.model_fields["block_frames"].annotation)


def polyphony(
    needed: int, in_force: int, load: Load, *, exact: bool = True, many: bool = False
) -> str:
    """Return what keeping stolen notes takes: a polyphony, and how much of a block's time."""
    whose = "them" if many else "it"
    if needed > MOST_NOTES:
        return f"more than {MOST_NOTES} notes were held at once"
    least = "" if exact else "at least "
    said = f"{least}polyphony = {needed} would have kept {whose}"
    voice = load.one_more()
    if voice is None:
        return f"{said}; what that takes is not measured yet"
    if not load.allows(needed):
        share = 100 * load.at(needed)
        many_voices = f"{least}{needed} voices would have kept {whose}"
        return f"{many_voices}: too much here, {share:.0f} % of the deadline"
    more = 100 * voice * (needed - in_force)
    amount = f"{more:.0f} %" if more >= 1 else "less than 1 %"
    return f"{said}: {amount} of the deadline more"


def channels(channel: int, settings: Settings) -> str:
    """Return the setting that lets a channel be heard."""
    listened = sorted({*settings.controller.channels, channel})
    return f"[controller] channels = {listened} would play it"


def blocks(wait_us: int, frames: int, sample_rate: int) -> str:
    """Return the longer block that would have bridged a wait; empty: it was not the wait."""
    longest = 1e6 * frames / sample_rate
    if wait_us <= HIGH * longest:
        return ""
    for longer in BLOCKS:
        if longer > frames and HIGH * 1e6 * longer / sample_rate >= wait_us:
            return (
                f"[audio] block_frames = {longer} would have bridged it "
                f"({wait_us / 1000:.1f} of {1000 * longer / sample_rate:.1f} ms)"
            )
    return ""


def longest_us(now: Sequence[int], before: Sequence[int]) -> int:
    """Return the upper end of the highest bin that was hit between two histograms."""
    top = max((place for place, n in enumerate(now) if n > before[place]), default=0)
    octave = max((top >> 3) - 1, 0)
    return ((top - (octave << 3)) << octave) + (1 << octave) - 1
