"""The command ``testtone``: one careful tone, to hear whether and where the sound comes out.

Units: seconds, dBFS of the sine's peak, frames.
Shapes: a block is ``(frames, 2)`` float32.
Threads: `Tone.block` belongs to the audio callback; the command's thread announces the steps.

The tone starts below what can be heard, grows slowly to a modest level and stops.
"""

import argparse
import os
import sys
import time
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from config.layers import load_forgiving
from config.toml.wording import counted
from daemon.errors import DeviceError
from daemon.fault_lines import tell_fault
from daemon.linux.stderr import captured_stderr
from daemon.soundcard.card import KINDS, Card, rank, why_none
from daemon.soundcard.card_list import list_cards
from daemon.soundcard.output import OutputError, leave_portaudio
from daemon.soundcard.stream import Stream, open_stream

PITCH_HZ = 440.0
LEVEL_DBFS = -30.0
"""About the level of one note of the instrument."""
_INAUDIBLE_DBFS = -80.0
_BLOCK_FRAMES = 512
_STOP_S = 0.05
_CAUTION = """\
Mind your ears: take headphones off and turn the amplifier down first.
How loud it gets depends on the card and on what is connected to it.
"""


class Step(NamedTuple):
    """A section of the tone."""

    until_s: float
    level_dbfs: float
    """The level at its end, reached along a straight line in dB."""
    words: str


STEPS = (
    Step(1.0, -70.0, "inaudible: below -70 dBFS"),
    Step(4.0, LEVEL_DBFS, f"growing to {LEVEL_DBFS:.0f} dBFS; Ctrl-C stops it"),
    Step(5.5, LEVEL_DBFS, f"holding {PITCH_HZ:.0f} Hz at {LEVEL_DBFS:.0f} dBFS"),
    Step(6.0, _INAUDIBLE_DBFS, "fading out"),
)
DURATION_S = STEPS[-1].until_s


class Tone:
    """The tone as a source of blocks; silence after its end.

    Parameters
    ----------
    sample_rate
        Frames per second.
    block_frames
        The longest block that will be asked for.
    """

    def __init__(self, sample_rate: int, block_frames: int) -> None:
        self._sample_rate = sample_rate
        self._offsets = np.arange(block_frames) / sample_rate
        self._times = np.array([0.0, *(step.until_s for step in STEPS)])
        self._levels = np.array([_INAUDIBLE_DBFS, *(step.level_dbfs for step in STEPS)])
        self._frame = 0
        self._end_s = DURATION_S
        self.underflows = 0

    @property
    def seconds(self) -> float:
        """How long the tone has played."""
        return self._frame / self._sample_rate

    @property
    def over(self) -> bool:
        """Whether there is only silence from now on."""
        return self.seconds >= self._end_s

    def stop(self) -> None:
        """Fade out within the next twentieth of a second."""
        self._end_s = min(self._end_s, self.seconds + _STOP_S)

    def render_block(self, out: NDArray[np.float32], now_us: int, underflow: bool = False) -> None:
        """Overwrite ``out`` with what comes next. Real-time safe."""
        self.underflows += underflow
        times = self._frame / self._sample_rate + self._offsets[: len(out)]
        level = 10 ** (np.interp(times, self._times, self._levels) / 20)
        # Straight to zero at the very end, and when stopped before it.
        level *= np.clip((self._end_s - times) / _STOP_S, 0.0, 1.0)
        out[:] = (level * np.sin(2 * np.pi * PITCH_HZ * times))[:, np.newaxis]
        self._frame += len(out)


def run(arguments: argparse.Namespace) -> int:
    """Play the tone on the card named, else on the one the settings name, else on the best."""
    sys.stdout.write(_CAUTION)
    wanted = arguments.device or _settings_device(arguments)
    with captured_stderr():
        card, output, tone = _open(wanted, only=bool(arguments.device))
        sys.stdout.write(
            f"card: '{card.name}', {KINDS[card.kind]}, {output.sample_rate:,} Hz, "
            f"{output.channels} channels\n"
        )
        lost = not _play(output, tone)
    if lost:
        tell_fault(f"'{card.name}' went away; plug it in and try again")
        sys.stderr.flush()
        sys.stdout.flush()
        os._exit(1)  # closing the stream of a lost card may hang
    dry = f"; the card ran dry {counted(tone.underflows, 'time')}" if tone.underflows else ""
    sys.stdout.write(f"stopped after {tone.seconds:.1f} s{dry}\n")
    return 0


def _settings_device(arguments: argparse.Namespace) -> str:
    paths = [arguments.settings] if arguments.settings else None
    in_force, faults = load_forgiving(paths)
    for fault in faults:
        tell_fault(f"{fault}; left out")
    name: str = in_force.settings.audio.device
    return name


def _open(wanted: str, only: bool) -> tuple[Card, Stream, Tone]:
    cards = list_cards()
    ranked = [card for card in rank(cards, wanted) if card.matches(wanted) or not only]
    if not ranked:
        raise DeviceError(why_none(cards, wanted))
    faults = []
    for card in ranked:
        if not card.opens:
            faults.append(why_closed(card))
            continue
        tone = Tone(card.rate, _BLOCK_FRAMES)
        try:
            output = open_stream(card, tone, block_frames=_BLOCK_FRAMES)
            output.start()
        except OutputError as error:
            faults.append(why_closed(card, str(error)))
            continue
        return card, output, tone
    raise DeviceError("; ".join(faults))


def why_closed(card: Card, error: str = "") -> str:
    """Return why a card does not play, and what releases one that is held."""
    text = f"'{card.name}' can't be opened: {error}" if error else f"'{card.name}': {card.closed}"
    if not card.holder:
        return text
    ours = card.holder.startswith("partiald ")
    return (
        text
        + f"; held by {card.holder}" * bool(error)
        + ", end that first"
        + ": sudo systemctl stop partiald" * ours
    )


def _play(output: Stream, tone: Tone) -> bool:
    """Announce each step as it comes; return False if the card went away."""
    begins = [0.0, *(step.until_s for step in STEPS)]
    announced = 0
    try:
        while not tone.over:
            if tone.seconds >= begins[announced]:
                sys.stdout.write(f"{tone.seconds:4.1f} s  {STEPS[announced].words}\n")
                sys.stdout.flush()
                announced += 1
            if not output.alive(time.monotonic()):
                return False
            time.sleep(0.02)
    except KeyboardInterrupt:
        tone.stop()
        until = time.monotonic() + 2 * _STOP_S + output.delay_s
        while not tone.over and time.monotonic() < until:
            time.sleep(0.01)
    time.sleep(min(2 * output.delay_s, 0.2))
    leave_portaudio()
    return True
