"""The output stream to the sound card.

Units: frames, seconds.
Shapes: the source fills ``(block_frames, 2)``; the card gets as many channels as it needs: the
first two carry left and right, a mono card gets the left, the rest is silent.
Threads: `Output` belongs to one thread; its callbacks run on PortAudio's.

The stream of a lost card may look alive, and closing it may hang: so `Output.alive` also checks
that blocks go on, and a process whose card is lost should exit without closing.
"""

import sys
import time
from collections.abc import Callable
from importlib import import_module
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from daemon.soundcard.card import Card

STALL_S = 0.5
"""After so long without a block the card is gone; blocks and servers' periods are far shorter."""
# Two periods of a block and a little more, so that PortAudio does not round down to one.
_LATENCY_BLOCKS = 2.25
# A plug-in may offer thousands.
_MOST_CHANNELS = 64


class Source(Protocol):
    """Renders the blocks."""

    def render_block(self, out: NDArray[np.float32], now_us: int, underflow: bool = False) -> None:
        """Overwrite ``out``; real-time safe."""


class OutputError(Exception):
    """A card can't be opened or started; the message says why."""


class Output:
    """An open stream; it plays once started.

    Parameters
    ----------
    card
        What to open.
    source
        Renders the blocks.
    block_frames, sample_rate
        The stream's; `sample_rate` 0 is the card's own.
    on_first
        Called once in the callback's thread, before the first block.
    library
        The module `sounddevice`; imported when left out.

    Raises
    ------
    OutputError
        When the card can't be opened.
    """

    def __init__(
        self,
        card: Card,
        source: Source,
        *,
        block_frames: int,
        sample_rate: int = 0,
        on_first: Callable[[], None] | None = None,
        library: Any = None,
    ) -> None:
        if library is None:
            library = import_module("sounddevice")
        self.card = card
        self.sample_rate = sample_rate or card.rate
        self.blocks = 0
        """Blocks asked for so far; written by the callback only."""
        self._source = source
        self._on_first = on_first
        self._seen_blocks, self._seen_at = 0, 0.0
        self.channels = 0
        self._refusal: type[Exception] = library.PortAudioError
        faults: list[str] = []
        self._stream: Any = None
        for channels in _channel_counts(card.channels):
            try:
                # Raw: the callback makes its own array of the buffer, with any version of numpy.
                self._stream = library.RawOutputStream(
                    device=card.index,
                    samplerate=self.sample_rate,
                    blocksize=block_frames,
                    channels=channels,
                    dtype="float32",
                    latency=_LATENCY_BLOCKS * block_frames / self.sample_rate,
                    callback=self._callback(channels, block_frames),
                    clip_off=True,
                    dither_off=True,
                )
            except self._refusal as error:
                faults.append(_message(error))
                continue
            self.channels = channels
            break
        if self._stream is None:
            raise OutputError(faults[0] if faults else "it has no output")

    @property
    def delay_s(self) -> float:
        """Seconds from block to card, as PortAudio reports; a sound server's share included."""
        return max(float(self._stream.latency), self.card.period_ms / 1000)

    def start(self) -> None:
        """Start the stream; may raise OutputError."""
        try:
            self._stream.start()
        except self._refusal as error:
            raise OutputError(_message(error)) from error
        self._seen_at = time.monotonic()

    def alive(self, now_s: float) -> bool:
        """Return whether the stream is active and has asked for a block lately."""
        if not self._stream.active:
            return False
        if self.blocks != self._seen_blocks:
            self._seen_blocks, self._seen_at = self.blocks, now_s
        return now_s - self._seen_at < STALL_S

    def _callback(self, channels: int, block_frames: int) -> Callable[..., None]:
        """Return the callback for a number of channels, its buffers allocated beforehand."""
        source = self._source
        direct = channels == 2
        stereo = np.zeros((block_frames, 2), np.float32)
        carried = min(channels, 2)
        monotonic_ns = time.monotonic_ns

        def callback(raw: Any, frames: int, _times: Any, status: Any) -> None:
            now_us = monotonic_ns() // 1000
            out = np.frombuffer(raw, np.float32).reshape(-1, channels)
            if self.blocks == 0 and self._on_first is not None:
                self._on_first()
            self.blocks += 1
            underflow = bool(status) and self.blocks > 1 and status.output_underflow
            if frames != block_frames:
                out.fill(0.0)
                return
            if direct:
                source.render_block(out, now_us, underflow)
                return
            source.render_block(stereo, now_us, underflow)
            out[:, :carried] = stereo[:, :carried]
            out[:, carried:] = 0.0

        return callback


def leave_portaudio() -> None:
    """Close every stream and leave the sound server; only while the card is there."""
    sounddevice = sys.modules.get("sounddevice")
    if sounddevice is None:
        return
    # PortAudio closes open streams; its JACK client belongs to the library, not to a stream.
    sounddevice._terminate()


def _channel_counts(channels: int) -> list[int]:
    """Return the numbers of channels to try: two, else as many as the hardware insists on."""
    most = min(channels, _MOST_CHANNELS)
    return [1] if most == 1 else list(dict.fromkeys((2, most, *range(4, most, 2))))


def _message(error: Exception) -> str:
    """Return PortAudio's text without its prefixes and number."""
    text = str(error.args[0]) if error.args else type(error).__name__
    for decoration in ("Error opening RawOutputStream: ", "Error starting stream: "):
        text = text.removeprefix(decoration)
    return text
