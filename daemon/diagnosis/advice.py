"""What would have helped: the setting to change, computed from what was measured.

Units: microseconds, frames, shares of a block's time.
"""

from collections.abc import Sequence
from typing import get_args

from config.settings import Audio, Settings
from daemon.diagnosis.load_model import Load
from daemon.ipc.counters import percentile_us
from daemon.player.governor import HIGH_SHARE

MOST_NOTES = 256
BLOCKS: tuple[int, ...] = get_args(Audio.model_fields["block_frames"].annotation)


def polyphony(
    needed: int, in_force: int, load: Load, *, exact: bool = True, many: bool = False
) -> str:
    """Return the polyphony that would have kept stolen notes, and how much time a block it takes.

    ``exact``: nothing was missed, else more may be needed. ``many``: there are several notes.
    """
    whose = "them" if many else "it"
    if needed > MOST_NOTES:
        return f"more than {MOST_NOTES} notes were held at once"
    least = "" if exact else "at least "
    advice = f"{least}polyphony = {needed} would have kept {whose}"
    voice = load.one_more()
    if voice is None:
        return f"{advice}; its cost has not been measured yet"
    if not load.allows(needed):
        share = 100 * load.at(needed)
        voices = f"{least}{needed} voices would have kept {whose}"
        return f"{voices}: too much here, {share:.0f} % of the time there is"
    more = 100 * voice * (needed - in_force)
    amount = f"{more:.0f} %" if more >= 1 else "less than 1 %"
    return f"{advice}: {amount} more of each block's time"


def channels(channel: int, settings: Settings) -> str:
    """Return the setting with which a channel is listened to."""
    listened = sorted({*settings.controller.channels, channel})
    return f"[controller] channels = {listened} would play it"


def zones(key: int, channel: int, settings: Settings) -> str:
    """Return the setting with which some zone would play a key."""
    there = [
        (place, zone)
        for place, zone in enumerate(settings.zones, 1)
        if zone.channel in (0, channel)
    ]
    if not there:
        return f"[[zones]] with channel = {channel}, or 0, would play it"
    place, zone = min(there, key=lambda each: max(each[1].keys[0] - key, key - each[1].keys[1]))
    low, high = min(zone.keys[0], key), max(zone.keys[1], key)
    if [low, high] == zone.keys:
        return f"zone {place} is switched off; the command for it switches it on again"
    return f"keys = [{low}, {high}] in zone {place} would play it"


def blocks(wait_us: int, frames: int, sample_rate: int) -> str:
    """Return the block length that would have covered a wait; empty: the wait was not the cause."""
    if wait_us <= HIGH_SHARE * 1e6 * frames / sample_rate:
        return ""
    for longer in BLOCKS:
        if longer > frames and HIGH_SHARE * 1e6 * longer / sample_rate >= wait_us:
            return (
                f"[audio] block_frames = {longer} would have covered it "
                f"({wait_us / 1000:.1f} of {1000 * longer / sample_rate:.1f} ms)"
            )
    return ""


def longest_us(now: Sequence[int], before: Sequence[int]) -> int:
    """Return the longest time that was added between two histograms, rounded up to its bin."""
    return percentile_us(tuple(n - m for n, m in zip(now, before, strict=True)), 1.0)
