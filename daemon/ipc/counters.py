"""The shared block of counters, meters and accounts: the player writes, the keeper reads.

Units: microseconds (``_us``), frames, linear peaks.
Shapes: `SharedCounters.SIZE` bytes, aligned to 8. Two copies of the figures that are written in
turn, each with a checksum, then two histograms: rendering times, and how late blocks were asked
for.
Threads: `SharedCounters.publish` belongs to the audio callback; `SharedCounters.snapshot` to
anybody.

A snapshot is the latest whole copy: it is whole when the player is killed while writing, on a
processor that reorders stores, and after the player has gone.
"""

import struct
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple, Protocol
from zlib import crc32

from voices.notes.note_count import ACCOUNTS

ERROR_BYTES = 160
BINS = 128
_TOP_BIN = BINS - 1
_COUNTERS = (
    "blocks",
    "underflows",
    "late_events",
    "faults",
    "frame",
    "sample_rate",
    "block_frames",
    "sounding",
    "sounding_peak",
    "partials",
    "most_partials",
    "spare_steps",
    "spare_percent",
    "received",
    "layered",
    "max_us",
)
_FIGURES = struct.Struct(f"<{len(_COUNTERS)}q2d{len(ACCOUNTS)}q{ERROR_BYTES}s")
# Whole 64-bit words, so that the copies and the histogram behind them stay aligned.
_COPY = (_FIGURES.size + 4 + 7) // 8 * 8
_CHECK = struct.Struct("<I")


class Ledger(Protocol):
    """The part of the note count that is published."""

    @property
    def received(self) -> int:
        """Note-ons so far."""

    @property
    def layered(self) -> int:
        """How many of them a key asked for beyond its first."""

    def accounts(self) -> dict[str, int]:
        """Return every account, in the order of `ACCOUNTS`."""


class Meters(Protocol):
    """The part of an instrument that is published."""

    @property
    def frame(self) -> int:
        """The frame at which the next block starts."""

    @property
    def peaks(self) -> tuple[float, float]:
        """Linear peaks of the latest block."""

    @property
    def sounding(self) -> int:
        """Notes that sound."""

    @property
    def partials(self) -> int:
        """Partials that sound."""

    @property
    def ledger(self) -> Ledger:
        """The note count."""


@dataclass(slots=True)
class Timing:
    """What the player counts beside its instrument; its audio callback is the only writer."""

    sample_rate: int
    block_frames: int
    blocks: int = 0
    underflows: int = 0
    late_events: int = 0
    faults: int = 0
    """Blocks silenced because the instrument raised."""
    sounding_peak: int = 0
    most_partials: int = 0
    """What the governor allows; 0: as many as there are."""
    spare_steps: int = 0
    spare_percent: int = 0
    """How much of its time the block took that made the governor's latest step."""
    entry_us: int = 0
    """How late the latest block was asked for."""
    render_us: int = 0
    """How long it took."""
    max_us: int = 0
    error: bytes = b""
    """The latest fault as UTF-8 text."""


class Snapshot(NamedTuple):
    """The counters at one moment."""

    blocks: int = 0
    underflows: int = 0
    late_events: int = 0
    faults: int = 0
    frame: int = 0
    sample_rate: int = 0
    block_frames: int = 0
    sounding: int = 0
    sounding_peak: int = 0
    partials: int = 0
    most_partials: int = 0
    spare_steps: int = 0
    spare_percent: int = 0
    received: int = 0
    layered: int = 0
    """Notes that a key in several zones asked for beyond its first."""
    max_us: int = 0
    """The longest rendering of a block."""
    peaks: tuple[float, float] = (0.0, 0.0)
    accounts: Mapping[str, int] = dict.fromkeys(ACCOUNTS, 0)
    last_error: str = ""
    render_counts: tuple[int, ...] = (0,) * BINS
    """Blocks by rendering time; see `bin_of` and `render_us`."""
    entry_counts: tuple[int, ...] = (0,) * BINS
    """Blocks by how late they were asked for."""

    @property
    def ready(self) -> bool:
        """Whether blocks have been rendered since the counters were cleared."""
        return self.blocks > 0

    @property
    def p50_us(self) -> int:
        """Half of the blocks were rendered in this time or less."""
        return self.render_us(0.5)

    @property
    def p99_us(self) -> int:
        """All blocks but one in a hundred were rendered in this time or less."""
        return self.render_us(0.99)

    @property
    def deadline_us(self) -> int:
        """The duration of a block."""
        return 1_000_000 * self.block_frames // self.sample_rate if self.sample_rate else 0

    def render_us(self, share: float) -> int:
        """Return the time in which a share of the blocks was rendered, at most 12 % too long."""
        return min(percentile_us(self.render_counts, share), self.max_us)


def bin_of(render_us: int) -> int:
    """Return the histogram's bin: exact to 15 µs, then eight to the octave. Real-time safe."""
    octave = max(render_us.bit_length() - 4, 0)
    return min((octave << 3) + (render_us >> octave), _TOP_BIN)


def _bin_ends_us(position: int) -> tuple[int, int]:
    """Return the first and the last time that fall into a bin."""
    octave = max((position >> 3) - 1, 0)
    first = (position - (octave << 3)) << octave
    return first, first + (1 << octave) - 1


def bin_us(position: int) -> float:
    """Return the middle of a bin."""
    return sum(_bin_ends_us(position)) / 2


def percentile_us(counts: tuple[int, ...], share: float) -> int:
    """Return the upper end of the bin in which a share of all blocks is reached.

    The counts may be the difference of two snapshots', for the time between them.
    """
    wanted, seen = share * sum(counts), 0
    for position, count in enumerate(counts):
        seen += count
        if count and seen >= wanted:
            return _bin_ends_us(position)[1]
    return 0


class SharedCounters:
    """Figures in shared memory.

    Parameters
    ----------
    memory
        At least `SIZE` bytes, writable, shared by both processes; zeroed, nothing has been counted.
    """

    SIZE = 2 * _COPY + 2 * 8 * BINS

    def __init__(self, memory: memoryview) -> None:
        self._memory = memory[: self.SIZE].cast("B")
        histograms = self._memory[2 * _COPY :].cast("Q")
        self._counts, self._entries = histograms[:BINS], histograms[BINS:]
        self._draft = bytearray(_FIGURES.size + _CHECK.size)
        self._body = memoryview(self._draft)[: _FIGURES.size]

    def clear(self) -> None:
        """Forget everything; only while no player runs."""
        self._memory[:] = bytes(self.SIZE)

    def publish(self, instrument: Meters, timing: Timing) -> None:
        """Write the state after a block. Real-time safe."""
        left, right = instrument.peaks
        ledger = instrument.ledger
        _FIGURES.pack_into(
            self._draft,
            0,
            timing.blocks,
            timing.underflows,
            timing.late_events,
            timing.faults,
            instrument.frame,
            timing.sample_rate,
            timing.block_frames,
            instrument.sounding,
            timing.sounding_peak,
            instrument.partials,
            timing.most_partials,
            timing.spare_steps,
            timing.spare_percent,
            ledger.received,
            ledger.layered,
            timing.max_us,
            left,
            right,
            *ledger.accounts().values(),
            timing.error,
        )
        _CHECK.pack_into(self._draft, _FIGURES.size, crc32(self._body))
        start = _COPY * (timing.blocks & 1)
        self._memory[start : start + len(self._draft)] = self._draft
        self._counts[bin_of(timing.render_us)] += 1
        self._entries[bin_of(timing.entry_us)] += 1

    def snapshot(self) -> Snapshot:
        """Return the latest whole copy; all zero when nothing has been published."""
        for _ in range(100):
            # The older copy is only touched a block later: one of the two is whole at any time.
            whole = [figures for start in (0, _COPY) if (figures := self._read(start))]
            if whole:
                break
        else:
            return Snapshot()
        figures = max(whole)  # blocks is the first figure
        split = len(_COUNTERS)
        counters = dict(zip(_COUNTERS, figures[:split], strict=True))
        return Snapshot(
            **counters,
            peaks=(figures[split], figures[split + 1]),
            accounts=dict(zip(ACCOUNTS, figures[split + 2 : -1], strict=True)),
            last_error=figures[-1].rstrip(b"\0").decode("utf-8", "replace"),
            render_counts=tuple(self._counts),
            entry_counts=tuple(self._entries),
        )

    def _read(self, start: int) -> tuple[Any, ...] | None:
        """Return one copy's figures, None when it is torn or was never written."""
        copy = bytes(self._memory[start : start + len(self._draft)])
        body = copy[: _FIGURES.size]
        if _CHECK.unpack_from(copy, _FIGURES.size)[0] != crc32(body):
            return None
        figures = _FIGURES.unpack(body)
        return figures if figures[0] else None
