"""What the kernel shows may go in the middle of a look, with the plug that is pulled."""

import os
from pathlib import Path
from typing import NoReturn

import pytest

from daemon.linux.board_health import read
from daemon.linux.sound_devices import kernel_cards, usb_serial
from daemon.linux.sysfs import content, matching, target


def gone(*_: object) -> NoReturn:
    raise FileNotFoundError(2, "No such file or directory")


@pytest.fixture
def card(tmp_path: Path) -> Path:
    """A USB card in a tree like sysfs, its link from the class included."""
    socket = tmp_path / "devices/usb1/1-1/1-1:1.0"
    socket.mkdir(parents=True)
    (socket.parent / "product").write_text("Cargo Bike Keys 25\n")
    (socket.parent / "serial").write_text("77\n")
    folder = tmp_path / "class/sound/card2"
    folder.mkdir(parents=True)
    (folder / "device").symlink_to(socket)
    return tmp_path


def test_a_card_is_found_by_its_link(card: Path) -> None:
    assert kernel_cards(card, card)[2].name == "Cargo Bike Keys 25"
    assert usb_serial(2, card) == "77"


def test_a_link_that_goes_while_it_is_followed_is_no_fault(
    card: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The library looks whether it is a link, then reads it: this is the moment in between."""
    monkeypatch.setattr(os, "readlink", gone)
    link = card / "class/sound/card2/device"
    assert target(link) == link
    assert usb_serial(2, card) == ""
    assert list(kernel_cards(card, card)) == [2]


def test_a_folder_that_goes_while_it_is_looked_into_has_nothing_in_it(
    card: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Path, "glob", gone)
    assert matching(card, "class/*/card*") == []
    assert kernel_cards(card, card) == {}
    assert read(card).temperature_c is None


def test_a_file_that_is_gone_says_nothing(tmp_path: Path) -> None:
    assert content(tmp_path / "class/sound/card2/id") == ""
