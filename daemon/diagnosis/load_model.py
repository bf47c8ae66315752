"""How long a block takes by the number of voices, measured while it plays.

Units: microseconds, voices, shares of a block's time.
Threads: the main loop's alone; it only reads what the player counts anyway.

When the same number of voices sounds at two looks, the mean time of the blocks in between is one
observation for that number; the slowest tenth is left out, since it shows the machine rather than
the sound. The cost of one more voice is the slope of a straight line through the observations.
"""

from daemon.ipc.counters import Snapshot, bin_us
from daemon.player.governor import HIGH_SHARE

_FEWEST_BLOCKS = 8
_KEPT = 0.9
_MEMORY = 20
"""How many observations of one number of voices count; older ones fade."""


class Load:
    """The measured times of one player."""

    def __init__(self) -> None:
        self._last = Snapshot()
        self._mean_us: dict[int, float] = {}
        self._weight: dict[int, int] = {}

    def look(self, snapshot: Snapshot) -> None:
        """Take in the counters; a new player starts from nothing."""
        last, self._last = self._last, snapshot
        if snapshot.blocks < last.blocks or snapshot.deadline_us != last.deadline_us:
            self._mean_us, self._weight = {}, {}
            return
        voices = snapshot.sounding
        few = snapshot.blocks - last.blocks < _FEWEST_BLOCKS
        if few or voices != last.sounding or not voices:
            return
        counts = [
            now - before
            for now, before in zip(snapshot.render_counts, last.render_counts, strict=True)
        ]
        weight = self._weight[voices] = min(self._weight.get(voices, 0) + 1, _MEMORY)
        mean = self._mean_us.get(voices, 0.0)
        self._mean_us[voices] = mean + (_trimmed_mean_us(counts) - mean) / weight

    def one_more(self) -> float | None:
        """Return the share of a block's time that one more voice takes; None: not known yet."""
        if not self._mean_us or not self._last.deadline_us:
            return None
        return self._slope_us() / self._last.deadline_us

    def at(self, voices: int) -> float:
        """Return the share of its time that a block with so many voices takes, all but a few."""
        deadline_us = self._last.deadline_us
        if not self._mean_us or not deadline_us:
            return 0.0
        slope, most = self._slope_us(), max(self._mean_us)
        usual = self._mean_us[most] + slope * (voices - most)
        slow = self._last.p99_us + slope * max(voices - self._last.sounding_peak, 0)
        return max(usual, slow) / deadline_us

    def allows(self, voices: int) -> bool:
        """Return whether the governor would let that many voices keep all their partials."""
        return self.at(voices) <= HIGH_SHARE

    def _slope_us(self) -> float:
        """Return the slope of the weighted least-squares line."""
        total = sum(self._weight.values())
        mean_voices = sum(n * self._weight[n] for n in self._mean_us) / total
        mean_us = sum(us * self._weight[n] for n, us in self._mean_us.items()) / total
        variance = sum(self._weight[n] * (n - mean_voices) ** 2 for n in self._mean_us)
        covariance = sum(
            self._weight[n] * (n - mean_voices) * (us - mean_us) for n, us in self._mean_us.items()
        )
        if variance and covariance > 0:
            return covariance / variance
        # One number of voices alone, or noise: as if a block took no time but its voices'.
        return mean_us / mean_voices


def _trimmed_mean_us(counts: list[int]) -> float:
    """Return the mean of the fastest nine tenths of a histogram."""
    wanted = left = _KEPT * sum(counts)
    total = 0.0
    for position, count in enumerate(counts):
        taken = min(count, left)
        total += taken * bin_us(position)
        left -= taken
    return total / wanted
