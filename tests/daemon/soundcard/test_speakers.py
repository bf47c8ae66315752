import logging
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from daemon.soundcard.card import Card, choose_card
from daemon.soundcard.card_list import list_cards
from daemon.soundcard.speakers import SpeakerWatch, connected_speakers, speakers
from tests.support.board_library import BoardLibrary
from tests.support.message_bus import Bus, listed, refused

PATH = "/org/bluez/hci0/dev_00_AA_01_01_00_42"
DEVICES = {
    PATH: {"org.bluez.Device1": {"Alias": "Market Box", "Connected": True, "UUIDs": ["a", "b"]}}
}


def stream(**more: Any) -> dict[str, Any]:
    """What the bridge says of a speaker: org.bluealsa.PCM1(7)."""
    told = {"Device": PATH, "Sequence": 1, "Transport": "A2DP-source", "Mode": "sink"}
    return {"org.bluealsa.PCM1": told | {"Channels": 2, "Rate": 48_000} | more}


STREAMS = {"/org/bluealsa/hci0/dev/a2dpsrc/sink": stream()}


@pytest.fixture
def bridge(tmp_path: Path) -> Path:
    file = tmp_path / "20-bluealsa.conf"
    file.touch()
    return file


@pytest.fixture
def bus(tmp_path: Path) -> Iterator[Bus]:
    there = Bus(tmp_path / "bus")
    yield there
    there.close()


def test_a_speaker_has_its_own_name_and_an_address_for_alsa() -> None:
    (card,) = speakers(STREAMS, DEVICES)
    assert card.name == "Market Box (Bluetooth 00:AA:01:01:00:42)"
    assert card.pcm == "bluealsa:DEV=00:AA:01:01:00:42,PROFILE=a2dp"
    assert (card.kind, card.rate, card.channels) == ("bluetooth", 48_000, 2)
    assert card.matches("bluetooth")
    assert card.matches("market box")


def test_of_two_speakers_the_one_that_came_last_is_first() -> None:
    other = stream(Device=PATH[:-2] + "43", Sequence=2)
    cards = speakers(STREAMS | {"/other": other}, DEVICES)
    assert [card.identity[-2:] for card in cards] == ["43", "42"]


@pytest.mark.parametrize(
    "more", [{"Mode": "source"}, {"Transport": "A2DP-sink"}, {"Transport": "HFP-AG"}]
)
def test_a_telephone_and_a_headset_s_speech_are_no_speakers(more: dict[str, str]) -> None:
    assert speakers({"/one": stream(**more)}, DEVICES) == []


def test_an_older_bridge_s_rate_and_a_speaker_without_a_name_are_taken() -> None:
    told = stream(Sampling=44_100)
    del told["org.bluealsa.PCM1"]["Rate"]
    (card,) = speakers({"/one": told}, {})
    assert card.rate == 44_100
    assert card.name == "a speaker (Bluetooth 00:AA:01:01:00:42)"


def test_a_speaker_plays_by_name_only_and_says_how_late_it_is(tmp_path: Path) -> None:
    (speaker,) = speakers(STREAMS, DEVICES)
    cards = list_cards(
        BoardLibrary("default"), proc=tmp_path, sys=tmp_path, bluetooth=lambda: [speaker]
    )
    chosen, verdicts = choose_card(cards)
    assert chosen is None
    assert verdicts[-1].reason == "for listening, 150 ms or more late; only played by name"
    for wanted in ("bluetooth", "Market"):
        chosen, verdicts = choose_card(cards, wanted)
        assert chosen == speaker
        assert verdicts[-1].reason == f"named '{wanted}'; for listening, 150 ms or more late"


@pytest.fixture
def watch(bridge: Path) -> Iterator[SpeakerWatch]:
    watching = SpeakerWatch(bridge, bridge.with_name("bus"))
    yield watching
    watching.close()


def names(cards: list[Card]) -> list[str]:
    return [card.name.partition(" (")[0] for card in cards]


def test_no_look_waits_and_bluetooth_is_only_asked_about_what_is_new(
    watch: SpeakerWatch, bus: Bus
) -> None:
    assert watch.look() == []
    bus.admit()
    asked = bus.asked()
    assert b"org.bluealsa" in asked
    assert b"org.bluez" not in asked
    assert watch.look() == []
    bus.say(listed(2, STREAMS))
    assert watch.look() == []
    assert b"org.bluez" in bus.asked()
    bus.say(listed(3, DEVICES))
    assert names(watch.look()) == ["Market Box"]
    assert names(watch.look()) == ["Market Box"], "while the next answer is on its way"
    bus.say(listed(4, STREAMS))
    assert names(watch.look()) == ["Market Box"]
    assert b"org.bluez" not in bus.asked()
    bus.say(listed(5, {}))
    assert watch.look() == []


def test_a_bus_that_goes_takes_the_speakers_with_it_and_is_found_again(
    watch: SpeakerWatch, bus: Bus
) -> None:
    for devices, name in ((listed(3, DEVICES), "Market Box"), (refused(3), "a speaker")):
        assert watch.look() == []
        bus.admit()
        bus.say(listed(2, STREAMS))
        watch.look()
        bus.say(devices)
        assert names(watch.look()) == [name]
        bus.leave()
        assert watch.look() == []


@pytest.mark.parametrize("nonsense", [b"\xff" * 64, b"l" + b"\xff" * 64, b""])
def test_what_the_bus_says_and_cannot_be_read_is_no_speaker(
    watch: SpeakerWatch, bus: Bus, nonsense: bytes, caplog: pytest.LogCaptureFixture
) -> None:
    watch.look()
    bus.admit()
    bus.say(nonsense)
    bus.leave()
    with caplog.at_level(logging.DEBUG):
        assert watch.look() == []
    assert not caplog.records


def test_without_the_bridge_s_plug_in_or_a_bus_nothing_is_asked(tmp_path: Path) -> None:
    assert connected_speakers(tmp_path / "no bridge", tmp_path / "no bus") == []
    assert SpeakerWatch(tmp_path / "no bridge", tmp_path / "no bus").look() == []
    (tmp_path / "bridge").touch()
    assert connected_speakers(tmp_path / "bridge", tmp_path / "no bus") == []
    assert SpeakerWatch(tmp_path / "bridge", tmp_path / "no bus").look() == []
