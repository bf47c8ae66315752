from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from daemon.linux.sound_devices import may_open_all
from daemon.player.open_card import await_access, has_come, open_first
from daemon.soundcard.card import Card
from daemon.soundcard.card_list import NOT_OURS
from daemon.soundcard.output import OutputError

USB = Card("Street Audio (hw:1,0)", "usb", 48_000, 2, 0, number=1)
JACK = Card("Headphones (hw:0,0)", "jack", 44_100, 2, 1, number=0)
HELD = Card("Market (hw:2,0)", "usb", 0, 0, -1, holder="radio", closed="held by radio", number=2)


class Bench:
    """Cards that open at some rates, or not; and what was told."""

    def __init__(self, **faults: str) -> None:
        self.faults = faults
        self.told: list[tuple[str, str]] = []
        self.converting = False

    def attempt(self, card: Card, rate: int) -> tuple[str, int]:
        if rate == 22_050:
            raise OutputError("Invalid sample rate")
        fault = self.faults.get(card.kind)
        if fault and not self.converting:
            raise OutputError(fault)
        return card.kind, rate

    def convert(self, cards: Sequence[Card]) -> list[Card]:
        self.converting = True
        return [replace(card, rate=48_000) for card in cards]

    def opened(self, *cards: Card, rate: int = 0) -> tuple[str, int] | None:
        return open_first(
            cards,
            rate,
            self.attempt,
            lambda kind, text, _: self.told.append((kind, text)),
            self.convert,
        )


def test_the_best_card_opens_at_its_own_rate_without_a_word() -> None:
    bench = Bench()
    assert bench.opened(USB, JACK) == ("usb", 48_000)
    assert bench.told == []


def test_a_rate_that_is_set_and_not_taken_gives_way_to_the_cards_own() -> None:
    bench = Bench()
    assert bench.opened(USB, rate=22_050) == ("usb", 48_000)
    assert bench.told == [
        ("log", f"'{USB.name}' can't be opened at 22,050 Hz: Invalid sample rate")
    ]


def test_a_card_that_is_held_or_refuses_gives_way_to_the_next_and_is_reported() -> None:
    bench = Bench(usb="Device unavailable")
    assert bench.opened(HELD, USB, JACK) == ("jack", 44_100)
    assert bench.told == [
        ("log", f"'{HELD.name}': held by radio"),
        ("log", f"'{USB.name}' can't be opened at 48,000 Hz: Device unavailable"),
    ]


def test_when_none_opens_that_is_reported_once_with_every_reason() -> None:
    bench = Bench(jack="Device unavailable")
    assert bench.opened(HELD, JACK) is None
    ((kind, text),) = bench.told
    assert kind == "refused"
    assert "held by radio; " in text
    assert "Device unavailable" in text


def test_hardware_of_a_format_that_portaudio_lacks_plays_behind_a_conversion() -> None:
    bench = Bench(usb="Sample format not supported")
    assert bench.opened(HELD, USB, JACK) == ("usb", 48_000)
    assert [kind for kind, _ in bench.told] == ["log"] * 3
    assert "through ALSA's conversion" in bench.told[-1][1]


def test_a_card_that_has_just_come_is_waited_for_no_longer_than_it_takes() -> None:
    waits: list[float] = []
    assert await_access(2.0, lambda: len(waits) == 3, waits.append)
    assert len(waits) == 3
    assert not await_access(0.0, lambda: False, waits.append)
    assert len(waits) == 3
    waits.clear()
    assert not await_access(2.0, lambda: False, waits.append)
    assert 1.99 < sum(waits) < 2.01


def test_a_card_is_ours_once_its_node_is(tmp_path: Path) -> None:
    assert may_open_all(tmp_path)
    (tmp_path / "snd").mkdir()
    node = tmp_path / "snd/pcmC0D0p"
    node.symlink_to(tmp_path / "later")  # not even root may open that
    assert not may_open_all(tmp_path)
    (tmp_path / "later").touch()
    assert may_open_all(tmp_path)


def test_a_card_that_became_ours_while_cards_were_listed_has_come() -> None:
    late = replace(USB, closed=NOT_OURS)
    assert has_come([JACK, late], lambda: [USB])
    assert not has_come([JACK, late], lambda: [JACK])
    assert not has_come([JACK, HELD], lambda: [JACK, HELD])
