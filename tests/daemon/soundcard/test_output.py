from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from daemon.soundcard.card import Card
from daemon.soundcard.output import STALL_S, Output, OutputError
from tests.support.fakes import Source

BLOCK, RATE = 64, 48_000


class PortAudioError(Exception):
    pass


class Library:
    """PortAudio with one card that insists on its number of channels."""

    PortAudioError = PortAudioError

    def __init__(self, insists_on: int) -> None:
        self.insists_on = insists_on
        self.opened: dict[str, Any] = {}
        self.active = True

    def RawOutputStream(self, **wanted: Any) -> SimpleNamespace:  # noqa: N802 - PortAudio's name
        if wanted["channels"] != self.insists_on:
            message = "Error opening RawOutputStream: Invalid number of channels"
            raise PortAudioError(message, -9998)
        self.opened = wanted
        return SimpleNamespace(active=self.active, latency=0.003, start=lambda: None)

    def ask(self, underflow: bool = False, frames: int = BLOCK) -> NDArray[np.float32]:
        """Ask for a block as PortAudio would."""
        out = np.full((frames, self.insists_on), np.nan, np.float32)
        callback: Callable[..., None] = self.opened["callback"]

        class Flags:
            output_underflow = underflow

            def __bool__(self) -> bool:
                return underflow

        callback(out, frames, None, Flags())
        return out


def opened(channels: int, insists_on: int, **more: Any) -> tuple[Output, Library, Source]:
    library, source = Library(insists_on), Source()
    card = Card("Street Audio (hw:2,0)", "usb", RATE, channels, 7)
    output = Output(card, source, block_frames=BLOCK, library=library, **more)
    output.start()
    return output, library, source


@pytest.mark.parametrize(
    ("channels", "insists_on"),
    [(1, 1), (2, 2), (8, 2), (6, 6), (8, 8), (8, 6), (26, 26), (10_000, 2)],
)
def test_left_and_right_come_first_and_the_rest_is_silent(channels: int, insists_on: int) -> None:
    output, library, _ = opened(channels, insists_on)
    out = library.ask()
    assert output.channels == insists_on
    assert (out[:, 0] == 0.25).all()
    assert (out[:, 1:2] == -0.5).all()
    assert not out[:, 2:].any()


def test_the_card_is_opened_by_number_at_its_own_rate_for_two_periods() -> None:
    _, library, _ = opened(2, 2)
    assert (library.opened["device"], library.opened["samplerate"]) == (7, RATE)
    assert library.opened["blocksize"] == BLOCK
    assert 2 * BLOCK / RATE < library.opened["latency"] < 3 * BLOCK / RATE


def test_another_rate_is_asked_for_when_the_settings_name_one() -> None:
    output, library, _ = opened(2, 2, sample_rate=96_000)
    assert output.sample_rate == library.opened["samplerate"] == 96_000


def test_a_card_that_refuses_is_reported_in_portaudios_words() -> None:
    with pytest.raises(OutputError, match=r"^Invalid number of channels$"):
        opened(2, 3)


def test_a_card_that_ran_dry_is_passed_on_but_not_before_it_played() -> None:
    _, library, source = opened(2, 2)
    library.ask(underflow=True)
    library.ask()
    library.ask(underflow=True)
    assert source.underflows == [False, False, True]


def test_a_block_of_another_length_is_silence() -> None:
    _, library, source = opened(2, 2)
    assert not library.ask(frames=BLOCK // 2).any()
    assert source.underflows == []


def test_the_callbacks_thread_is_set_up_once_before_its_first_block() -> None:
    calls: list[int] = []
    seen: list[Source] = []
    _, library, source = opened(2, 2, on_first=lambda: calls.append(len(seen[0].underflows)))
    seen.append(source)
    library.ask()
    library.ask()
    assert calls == [0]


def test_a_stream_is_alive_while_blocks_go_on() -> None:
    output, library, _ = opened(2, 2)
    now = 1000.0
    for _ in range(5):
        library.ask()
        assert output.alive(now)
        now += STALL_S / 2
    assert output.alive(now)
    assert not output.alive(now + STALL_S)


def test_an_inactive_stream_is_not_alive() -> None:
    library = Library(2)
    library.active = False
    card = Card("Street Audio (hw:2,0)", "usb", RATE, 2, 7)
    output = Output(card, Source(), block_frames=BLOCK, library=library)
    assert not output.alive(0.0)
