"""How long a block takes by the number of voices, measured while it plays.

Units: microseconds, voices, shares of a block's time.
Threads: the main loop's alone; it only reads what the player has counted anyway.

Between two looks at the board in which the same number of voices sounded, the mean time of the
blocks in between is one observation of that number; the slowest tenth, which tells of the
machine, is left out. The cost of one more voice is the slope of a straight line through them.
"""

from daemon.ipc.counters import Snapshot, bin_us
from daemon.player.governor import HIGH

_FEW_BLOCKS = 8
_KEPT = 0.9
_MEMORY = 20
"""So many observations of one number of voices weigh; older ones fade."""


class Load:
    """The measured times of one player."""

    def __init__(self) -> None:
        self._last = Snapshot()
        self._mean_us: dict[int, float] = {}
        self._weight: dict[int, int] = {}

    def look(self, snapshot: Snapshot) -> None:
        """Take the board as it is now; a new player begins afresh."""
        last, self._last = self._last, snapshot
        if snapshot.blocks < last.blocks or snapshot.deadline_us != last.deadline_us:
            self._mean_us, self._weight = {}, {}
            return
        voices = snapshot.sounding
        if snapshot.blocks - last.blocks < _FEW_BLOCKS or voices != last.sounding or not voices:
            return
        counts = [
            now - before
            for now, before in zip(snapshot.render_counts, last.render_counts, strict=True)
        ]
        weight = self._weight[voices] = min(self._weight.get(voices, 0) + 1, _MEMORY)
        mean = self._mean_us.get(voices, 0.0)
        self._mean_us[voices] = mean + (_usual_us(counts) - mean) / weight

    def one_more(self) -> float | None:
        """Return the share of a block's time that one more voice takes; None: not known yet."""
        if not self._mean_us or not self._last.deadline_us:
            return None
        slope = self._slope_us()
        return slope / self._last.deadline_us

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
        """Return whether the governor would let so many sound whole."""
        return self.at(voices) <= HIGH

    def _slope_us(self) -> float:
        total = sum(self._weight.values())
        middle = sum(n * self._weight[n] for n in self._mean_us) / total
        height = sum(us * self._weight[n] for n, us in self._mean_us.items()) / total
        spread = sum(self._weight[n] * (n - middle) ** 2 for n in self._mean_us)
        rise = sum(
            self._weight[n] * (n - middle) * (us - height) for n, us in self._mean_us.items()
        )
        # From one number alone, or from noise: as if a block took no time but its voices'.
        return rise / spread if spread and rise > 0 else height / middle


def _usual_us(counts: list[int]) -> float:
    """Return the mean of the fastest nine tenths."""
    wanted = left = _KEPT * sum(counts)
    total = 0.0
    for place, count in enumerate(counts):
        taken = min(count, left)
        total += taken * bin_us(place)
        left -= taken
    return total / wanted
