"""The output stream to a card that only ALSA itself can open: a Bluetooth speaker.

Units: frames, seconds.
Shapes: the source fills ``(block_frames, 2)``; a mono speaker gets the left channel.
Threads: `SpeakerOutput` belongs to one thread; a thread of its own asks for the blocks.

As `daemon.soundcard.output.Output`, for a card with a `pcm`. The bridge to the speaker paces it, by
a period at a time: what is played comes late by a whole buffer and by what the radio takes.
"""

import ctypes
import threading
import time
from collections.abc import Callable
from ctypes import byref, c_char_p, c_int, c_long, c_uint, c_ulong, c_void_p
from typing import Any

import numpy as np

from daemon.soundcard.card import Card
from daemon.soundcard.output import OutputError, Source

PERIOD_FRAMES = 512
"""The bridge asks for so many frames at once, if it can."""
BUFFER_S = 0.1
"""As short as a busy radio allows."""
RADIO_STALL_S = 3.0
"""How long interference may last. A speaker out of reach disconnects within 20 seconds."""
_PLAYBACK, _INTERLEAVED, _FLOAT = 0, 3, 14
_DRY = -32  # -EPIPE: an underrun
_SUSPENDED = -86  # -ESTRPIPE


class SpeakerOutput:
    """An open stream; it plays once started.

    Parameters
    ----------
    card, source, block_frames, sample_rate, on_first
        As for `Output`.
    library
        ALSA's, libasound; loaded when left out.

    Raises
    ------
    OutputError
        When the speaker can't be opened.
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
        self.card = card
        self.sample_rate = sample_rate or card.rate
        self.channels = min(card.channels, 2)
        self.blocks = 0
        """Blocks asked for so far; written by the stream's thread only."""
        self._source, self._block_frames = source, block_frames
        self._on_first = on_first
        self._seen_blocks, self._seen_at = 0, 0.0
        self._delay_frames = 0
        self._lost = False
        self._alsa = library or _alsa()
        self._pcm = c_void_p()
        name = card.pcm.encode()
        self._must(self._alsa.snd_pcm_open(byref(self._pcm), name, _PLAYBACK, 0))
        try:
            self._set_up()
        except OutputError:
            self._alsa.snd_pcm_close(self._pcm)
            raise

    @property
    def delay_s(self) -> float:
        """Seconds from block to speaker, as the bridge knows it; the speaker may add to it."""
        return self._delay_frames / self.sample_rate

    def start(self) -> None:
        """Fill the buffer with silence and go on from there; may raise OutputError."""
        silence = np.zeros((self._block_frames, self.channels), np.float32)
        for _ in range(self._buffer_frames // self._block_frames):
            self._must(self._write(silence))
        delay = c_long()
        if self._alsa.snd_pcm_delay(self._pcm, byref(delay)) >= 0:
            self._delay_frames = delay.value
        self._delay_frames = max(self._delay_frames, self._buffer_frames)
        self._seen_at = time.monotonic()
        threading.Thread(target=self._play, daemon=True).start()

    def alive(self, now_s: float) -> bool:
        """Return whether the speaker takes what is played, and has asked for a block lately."""
        if self.blocks != self._seen_blocks:
            self._seen_blocks, self._seen_at = self.blocks, now_s
        return not self._lost and now_s - self._seen_at < RADIO_STALL_S

    def _play(self) -> None:
        """Write block after block until the speaker is gone."""
        if self._on_first is not None:
            self._on_first()
        stereo = np.zeros((self._block_frames, 2), np.float32)
        out = stereo if self.channels == 2 else np.zeros((self._block_frames, 1), np.float32)
        render, monotonic_ns = self._source.render_block, time.monotonic_ns
        dry = False
        while not self._lost:
            render(stereo, monotonic_ns() // 1000, dry)
            if out is not stereo:
                out[:, 0] = stereo[:, 0]
            done = self._write(out)
            dry = done in (_DRY, _SUSPENDED)
            if dry:
                done = self._alsa.snd_pcm_prepare(self._pcm)
            self._lost = done < 0
            self.blocks += 1

    def _write(self, block: np.ndarray[Any, Any]) -> int:
        """Return how many frames the buffer took after waiting for room; negative: a fault."""
        return int(self._alsa.snd_pcm_writei(self._pcm, block.ctypes.data, len(block)))

    def _set_up(self) -> None:
        alsa, pcm = self._alsa, self._pcm
        wanted = c_void_p()
        self._must(alsa.snd_pcm_hw_params_malloc(byref(wanted)))
        try:
            self._must(alsa.snd_pcm_hw_params_any(pcm, wanted))
            self._must(alsa.snd_pcm_hw_params_set_access(pcm, wanted, _INTERLEAVED))
            self._must(alsa.snd_pcm_hw_params_set_format(pcm, wanted, _FLOAT))
            self._must(alsa.snd_pcm_hw_params_set_channels(pcm, wanted, self.channels))
            self._must(alsa.snd_pcm_hw_params_set_rate(pcm, wanted, self.sample_rate, 0))
            period = c_ulong(max(self._block_frames, PERIOD_FRAMES))
            buffer = c_ulong(round(BUFFER_S * self.sample_rate))
            way = c_int(0)
            near = alsa.snd_pcm_hw_params_set_period_size_near
            self._must(near(pcm, wanted, byref(period), byref(way)))
            self._must(alsa.snd_pcm_hw_params_set_buffer_size_near(pcm, wanted, byref(buffer)))
            self._must(alsa.snd_pcm_hw_params(pcm, wanted))
        finally:
            alsa.snd_pcm_hw_params_free(wanted)
        self._buffer_frames = int(buffer.value)

    def _must(self, done: int) -> None:
        if done < 0:
            raise OutputError(self._alsa.snd_strerror(done).decode("utf-8", "replace"))


def _alsa() -> Any:
    """Return ALSA's library, which the sound library stands on."""
    try:
        library = ctypes.CDLL("libasound.so.2")
    except OSError as error:
        raise OutputError(f"without libasound ({error})") from error
    size_p, pcm = ctypes.POINTER(c_ulong), c_void_p
    for name, arguments in {
        "snd_pcm_open": (ctypes.POINTER(c_void_p), c_char_p, c_int, c_int),
        "snd_pcm_close": (pcm,),
        "snd_pcm_prepare": (pcm,),
        "snd_pcm_delay": (pcm, ctypes.POINTER(c_long)),
        "snd_pcm_writei": (pcm, c_void_p, c_ulong),
        "snd_pcm_hw_params_malloc": (ctypes.POINTER(c_void_p),),
        "snd_pcm_hw_params_free": (c_void_p,),
        "snd_pcm_hw_params_any": (pcm, c_void_p),
        "snd_pcm_hw_params_set_access": (pcm, c_void_p, c_int),
        "snd_pcm_hw_params_set_format": (pcm, c_void_p, c_int),
        "snd_pcm_hw_params_set_channels": (pcm, c_void_p, c_uint),
        "snd_pcm_hw_params_set_rate": (pcm, c_void_p, c_uint, c_int),
        "snd_pcm_hw_params_set_period_size_near": (
            *(pcm, c_void_p, size_p),
            ctypes.POINTER(c_int),
        ),
        "snd_pcm_hw_params_set_buffer_size_near": (pcm, c_void_p, size_p),
        "snd_pcm_hw_params": (pcm, c_void_p),
        "snd_strerror": (c_int,),
    }.items():
        getattr(library, name).argtypes = arguments
    library.snd_pcm_writei.restype = c_long
    library.snd_strerror.restype = c_char_p
    return library
