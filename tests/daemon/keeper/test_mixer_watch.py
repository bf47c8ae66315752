"""The mixer of the card that plays, closed and opened by somebody else."""

import logging
from collections.abc import Sequence
from dataclasses import replace

import pytest

from daemon.diagnosis.readable import readable_status
from daemon.keeper.mixer_watch import LOOK_US, MixerWatch
from daemon.soundcard.alsa_control import Element
from daemon.soundcard.card import Card
from tests.support.keeper_bench import KeeperBench
from tests.support.mixer_elements import switch, volume

CARD = Card("Street Audio", "usb", 48_000, 2, 0, number=0, identity="street")
SHUT = "'PCM' is muted: nothing is heard until that is undone"


class Desk:
    """A card's controls, and somebody at them; nothing: the card is gone."""

    def __init__(self, *controls: Element) -> None:
        self.controls: Sequence[Element] = controls
        self.watch = MixerWatch(self.read)
        self.now_us = self.looks = 0

    def read(self, number: int) -> Sequence[Element]:
        assert number == CARD.number
        self.looks += 1
        if not self.controls:
            raise OSError("No such device")
        return self.controls

    def stands(self, *controls: Element) -> list[str]:
        self.controls = controls
        self.now_us += LOOK_US
        self.watch.tick(CARD, self.now_us)
        return self.watch.lines


def test_status_and_log_tell_once_that_the_mixer_was_closed_and_once_that_it_is_open(
    caplog: pytest.LogCaptureFixture,
) -> None:
    caplog.set_level(logging.INFO)
    bench = KeeperBench()
    bench.players.card = CARD
    bench.controls = [switch("PCM", 1), volume("PCM", 100)]
    bench.play()
    bench.tick(12)
    before = len(caplog.messages)
    assert readable_status(bench.keeper.status()).count("PCM") == 0
    bench.controls = [switch("PCM", 0), volume("PCM", 100)]
    bench.tick(40)
    assert caplog.messages[before:] == [f"on 'Street Audio' {SHUT}"]
    assert f"\n             {SHUT}\n" in readable_status(bench.keeper.status())
    bench.controls = [switch("PCM", 1), volume("PCM", 100)]
    bench.tick(40)
    assert caplog.messages[before + 1 :] == ["on 'Street Audio' 'PCM' can be heard again"]
    assert bench.keeper.status()["output"]["closed"] == []
    bench.say("lost", "'Street Audio' went away", "warning")
    assert bench.keeper.status()["output"] is None


def test_a_volume_at_zero_is_reported_like_a_mute_and_a_change_between_them_is_not(
    caplog: pytest.LogCaptureFixture,
) -> None:
    desk = Desk()
    assert desk.stands(switch("PCM", 1), volume("PCM", 9)) == []
    closed = desk.stands(switch("PCM", 1), volume("PCM", 0))
    assert closed == ["'PCM' stands at zero: nothing is heard until that is undone"]
    assert desk.stands(switch("PCM", 0), volume("PCM", 0)) == [SHUT]
    assert len(caplog.messages) == 1


def test_what_was_closed_when_the_card_began_is_shown_and_only_its_opening_is_reported(
    caplog: pytest.LogCaptureFixture,
) -> None:
    caplog.set_level(logging.INFO)
    desk = Desk()
    assert desk.stands(switch("PCM", 0, writable=False)) == [SHUT]
    assert caplog.messages == []
    assert desk.stands(switch("PCM", 1)) == []
    assert caplog.messages == ["on 'Street Audio' 'PCM' can be heard again"]


def test_one_of_two_ways_out_may_be_closed_without_a_word() -> None:
    desk = Desk()
    desk.stands(switch("Speaker", 1), switch("Headphone", 1))
    assert desk.stands(switch("Speaker", 0), switch("Headphone", 1)) == []
    assert len(desk.stands(switch("Speaker", 0), switch("Headphone", 0))) == 2


def test_it_is_looked_at_every_two_seconds_and_only_while_a_card_with_a_mixer_plays() -> None:
    desk = Desk(switch("PCM", 0))
    for card in (None, replace(CARD, number=-1)):
        desk.watch.tick(card, 0)
        assert desk.looks == 0
    for now_us in range(0, 5 * LOOK_US, LOOK_US // 8):
        desk.watch.tick(CARD, now_us)
    assert desk.looks == 5
    assert desk.watch.lines == [SHUT]
    desk.watch.tick(None, 5 * LOOK_US)
    assert desk.watch.lines == []


def test_a_card_that_is_gone_is_not_the_mixers_to_tell(caplog: pytest.LogCaptureFixture) -> None:
    desk = Desk()
    desk.stands(switch("PCM", 1))
    assert desk.stands() == []
    assert caplog.messages == []
