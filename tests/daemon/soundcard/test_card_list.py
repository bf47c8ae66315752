from pathlib import Path

import pytest

from daemon.soundcard.card import Card, choose_card, rank, why_none
from daemon.soundcard.card_list import list_cards, present_cards
from tests.support.board_library import BoardLibrary
from tests.support.jack_server import JackServer

# The kernel's own lines, as ALSA prints them in /proc/asound/cards.
KERNEL = """\
 0 [boardhdmi      ]: board-hdmi - board-hdmi-0
                      board-hdmi-0
 1 [Headphones     ]: board_headphon - Board Headphones
                      Board Headphones
 2 [Audio          ]: USB-Audio - Street Audio
                      Street Audio at usb-0000:01:00.0-1.2, full speed
 3 [boardi2s       ]: board-simple - board_i2s
                      board_i2s
"""
NAMES = (
    "board-hdmi-0: MAI PCM i2s-hifi-0 (hw:0,0)",
    "Board Headphones: - (hw:1,0)",
    "Street Audio: - (hw:2,0)",
    "board_i2s: HiFi pcm-hifi-0 (hw:3,0)",
    "Street Audio: microphone (hw:2,1)",
    "default",
    "dmix",
    "bluealsa",
    "jack:system",
)


@pytest.fixture
def proc(tmp_path: Path) -> Path:
    (tmp_path / "asound/card2").mkdir(parents=True)
    (tmp_path / "asound/cards").write_text(KERNEL)
    (tmp_path / "asound/card2/usbid").write_text("1234:5678\n")
    return tmp_path


def kinds(cards: list[Card]) -> list[str]:
    return [card.kind for card in cards]


def test_each_device_is_recognised_for_what_it_is(proc: Path, tmp_path: Path) -> None:
    cards = list_cards(BoardLibrary(*NAMES), proc=proc, sys=tmp_path)
    assert kinds(cards) == [
        "screen",
        "jack",
        "usb",
        "soldered",
        "other",
        "other",
        "bluetooth",
        "server",
    ]
    assert [card.index for card in cards] == [0, 1, 2, 3, 5, 6, 7, 8]  # PortAudio's own numbers


def test_without_proc_usb_is_still_found_through_sys(tmp_path: Path) -> None:
    device = tmp_path / "devices/platform/usb1/1-1.2/sound"
    device.mkdir(parents=True)
    (tmp_path / "class/sound/card2").mkdir(parents=True)
    (tmp_path / "class/sound/card2/device").symlink_to(device)
    cards = list_cards(BoardLibrary(*NAMES), proc=tmp_path / "nowhere", sys=tmp_path)
    assert kinds(cards)[:4] == ["screen", "jack", "usb", "soldered"]


def test_usb_comes_before_soldered_before_the_jack_before_a_server(
    proc: Path, tmp_path: Path
) -> None:
    cards = list_cards(BoardLibrary(*NAMES), proc=proc, sys=tmp_path)
    assert kinds(rank(cards)) == ["usb", "soldered", "jack", "server"]


def test_a_screen_or_bluetooth_is_only_played_by_name(proc: Path, tmp_path: Path) -> None:
    cards = list_cards(BoardLibrary(NAMES[0], "bluealsa"), proc=proc, sys=tmp_path)
    card, verdicts = choose_card(cards)
    assert card is None
    assert not any(verdict.chosen for verdict in verdicts)
    assert "screen" in verdicts[0].reason
    assert verdicts[1].reason.startswith("for listening, 150 ms or more late")
    assert choose_card(cards, "HDMI")[0] == cards[0]
    assert choose_card(cards, "blueALSA")[0] == cards[1]


def test_a_name_is_part_of_the_cards_name_in_upper_or_lower_case(
    proc: Path, tmp_path: Path
) -> None:
    cards = list_cards(BoardLibrary(*NAMES), proc=proc, sys=tmp_path)
    card, verdicts = choose_card(cards, "headPHONES")
    assert card == cards[1]
    assert [verdict.chosen for verdict in verdicts].count(True) == 1
    assert verdicts[1].reason == "named 'headPHONES'"
    assert verdicts[2].reason == "not named 'headPHONES'"


def test_every_card_gets_a_reason(proc: Path, tmp_path: Path) -> None:
    cards = list_cards(BoardLibrary(*NAMES), proc=proc, sys=tmp_path)
    for wanted in ("", "street", "nothing like it"):
        _, verdicts = choose_card(cards, wanted)
        assert [verdict.card for verdict in verdicts] == cards
        assert all(verdict.reason for verdict in verdicts)


def test_without_the_card_named_the_best_one_plays_and_the_reason_says_so(
    proc: Path, tmp_path: Path
) -> None:
    cards = list_cards(BoardLibrary(NAMES[0], NAMES[1]), proc=proc, sys=tmp_path)
    card, verdicts = choose_card(cards, "street")
    assert card == cards[1]
    assert verdicts[1].reason == "headphone jack; no card matches 'street'"


def test_the_card_named_comes_before_all_others_and_they_stay_behind_it(
    proc: Path, tmp_path: Path
) -> None:
    cards = list_cards(BoardLibrary(*NAMES), proc=proc, sys=tmp_path)
    assert kinds(rank(cards, "hdmi")) == ["screen", "usb", "soldered", "jack", "server"]


def test_a_card_that_is_missing_is_named_beside_those_present(proc: Path, tmp_path: Path) -> None:
    cards = list_cards(BoardLibrary(NAMES[0], "dmix"), proc=proc, sys=tmp_path)
    assert choose_card(cards, "street")[0] is None
    assert why_none(cards, "street") == (
        "no sound card matches 'street'; "
        "present: 'board-hdmi-0: MAI PCM i2s-hifi-0 (hw:0,0)', 'dmix'"
    )
    assert why_none([]) == "no sound card and no sound server"


def test_the_rate_is_one_the_hardware_itself_can_play(proc: Path, tmp_path: Path) -> None:
    library = BoardLibrary(NAMES[2], NAMES[3], "default", accepts={1: (44_100, 2)})
    cards = list_cards(library, proc=proc, sys=tmp_path)
    assert [card.rate for card in cards] == [48_000, 44_100, 44_100]


def test_a_card_that_is_held_is_reported_with_its_holder_and_comes_last_of_its_kind(
    proc: Path, tmp_path: Path
) -> None:
    # The kernel's status file of an open substream.
    status = proc / "asound/card2/pcm0p/sub0/status"
    status.parent.mkdir(parents=True)
    status.write_text("state: RUNNING\nowner_pid   : 812\n")
    (proc / "812").mkdir()
    (proc / "812/comm").write_text("market-radio\n")
    (proc / "asound/card4").mkdir()
    (proc / "asound/card4/usbid").write_text("1234:5678\n")
    cards = list_cards(BoardLibrary(NAMES[2], "Spare: USB (hw:4,0)"), proc=proc, sys=tmp_path)
    assert [card.holder for card in cards] == ["market-radio (process 812)", ""]
    card, verdicts = choose_card(cards)
    assert card == cards[1]
    assert "held by market-radio (process 812)" in verdicts[0].reason


class Played:
    """A kernel whose one card is played on; its files as they were on a real system."""

    def __init__(self, folder: Path, program: str) -> None:
        self.proc, self.sys, self.dev = folder / "proc", folder / "sys", folder / "dev"
        device = self.proc / "asound/card0/pcm0p/sub0"
        device.mkdir(parents=True)
        (self.proc / "asound/cards").write_text(
            " 0 [Audio          ]: USB-Audio - Street Audio\n"
            "                      Market Street Audio at usb-0000:00:02.0-1, full speed\n"
        )
        (self.proc / "asound/pcm").write_text("00-00: Street Audio : Street Audio : playback 1\n")
        (self.proc / "asound/card0/usbid").write_text("46f4:0002\n")
        (device / "status").write_text(
            "state: RUNNING\nowner_pid   : 199\ntrigger_time: 16.211938740\n"
        )
        (device / "hw_params").write_text(
            "access: RW_INTERLEAVED\nformat: S16_LE\nsubformat: STD\nchannels: 2\n"
            "rate: 48000 (48000/1)\nperiod_size: 6000\nbuffer_size: 24000\n"
        )
        if program:
            (self.proc / "199").mkdir()
            (self.proc / "199/comm").write_text(f"{program}\n")
        (self.dev / "snd").mkdir(parents=True)
        (self.dev / "snd/pcmC0D0p").write_text("")

    def cards(self) -> list[Card]:
        return list_cards(BoardLibrary(), proc=self.proc, sys=self.sys, dev=self.dev)


def test_a_card_that_portaudio_hides_because_it_is_held_is_named_with_its_holder(
    tmp_path: Path,
) -> None:
    (card,) = Played(tmp_path, "market-radio").cards()
    assert card.name == "Street Audio: - (hw:0,0)"
    assert (card.kind, card.rate, card.channels, card.index) == ("usb", 48_000, 2, -1)
    assert card.closed == "held by market-radio (process 199)"
    best, verdicts = choose_card([card])
    assert best is None
    assert why_none([card]) == "no sound card can be opened now"
    assert verdicts[0].reason == "USB audio; held by market-radio (process 199)"
    assert rank([card]) == [card]


def test_a_holder_whose_name_is_hidden_is_reported_by_its_number(tmp_path: Path) -> None:
    (card,) = Played(tmp_path, "").cards()
    assert card.closed == "held by process 199"


def test_the_card_that_the_daemon_itself_holds_is_the_one_that_plays(tmp_path: Path) -> None:
    cards = Played(tmp_path, "partiald").cards()
    assert choose_card(cards)[0] == cards[0]


def test_a_card_that_may_not_be_opened_says_who_may(tmp_path: Path) -> None:
    kernel = Played(tmp_path, "")
    (kernel.proc / "asound/card0/pcm0p/sub0/status").write_text("closed\n")
    (kernel.dev / "snd/pcmC0D0p").unlink()
    assert kernel.cards()[0].closed == "only the group 'audio' may open it"
    assert present_cards(kernel.proc, kernel.sys, kernel.dev) == []


def test_the_same_card_has_the_same_identity_in_another_socket_and_another_has_its_own(
    proc: Path, tmp_path: Path
) -> None:
    cards = list_cards(BoardLibrary(*NAMES), proc=proc, sys=tmp_path)
    assert len({card.identity for card in cards}) == len(cards)
    lines = KERNEL.replace(" 2 [", " 5 [").replace("-1.2", "-1.4")
    (proc / "asound/cards").write_text(lines)
    (proc / "asound/card2").rename(proc / "asound/card5")
    (moved,) = list_cards(BoardLibrary("Street Audio: - (hw:5,0)"), proc=proc, sys=tmp_path)
    assert moved.identity == cards[2].identity


def test_a_card_crosses_to_another_process_unchanged(proc: Path, tmp_path: Path) -> None:
    for card in list_cards(BoardLibrary(*NAMES), proc=proc, sys=tmp_path):
        assert Card.from_plain(card.as_plain()) == card


SEE = (
    "from daemon.soundcard.card import *; from daemon.soundcard.card_list import *; "
    "print(choose_card(list_cards())[0])"
)


@pytest.mark.gig
def test_a_running_sound_server_is_seen_and_chosen(jack_server: JackServer) -> None:
    import subprocess
    import sys

    seen = subprocess.run([sys.executable, "-c", SEE], capture_output=True, text=True, timeout=30)
    assert "name='system', kind='server', rate=48000, channels=2" in seen.stdout
