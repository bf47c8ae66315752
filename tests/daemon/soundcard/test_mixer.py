from collections.abc import Sequence
from pathlib import Path

import pytest

from daemon.soundcard.alsa_control import INFO_BYTES, VALUE_BYTES, ControlDevice, Element, decoded
from daemon.soundcard.mixer import MODERATE_DB, correct, findings, moderate_level
from tests.support.mixer_elements import switch, volume

# What a kernel answered for an emulated USB sound card; the rest of each structure was zero. Beside
# it, what Debian's own mixer program printed of the same controls.
CHANNEL_MAP = (
    "01000000030000000000000000000000506c61796261636b204368616e6e656c204d6170" + "00" * 28,
    "020000001100001002000000ffffffff00000000000000002400000000000000",
)
SWITCH = (
    "02000000020000000000000000000000"
    "417564696f204f757470757420566f6c756d6520436f6e74726f6c20506c61796261636b2053776974636800"
    "00000000",
    "010000000300000001000000ffffffff00000000000000000100000000000000",
)
VOLUME = (
    "03000000020000000000000000000000"
    "417564696f204f757470757420566f6c756d6520436f6e74726f6c20506c61796261636b20566f6c756d6500"
    "00000000",
    "020000001300001002000000ffffffff00000000000000000001000000000000",
)
SCALE = "0300000040000000040000000800000001ceffff20030000" + "00" * 48
ON, AT_240 = "0100000000000000", "f000000000000000f000000000000000"


def answered(structures: tuple[str, str], values: str, scale: str = "") -> Element | None:
    identity, rest = structures
    info = bytes.fromhex(identity + rest).ljust(INFO_BYTES, b"\0")
    value = bytes.fromhex(identity + "00" * 8 + values).ljust(VALUE_BYTES, b"\0")
    return decoded(info, value, bytes.fromhex(scale))


def test_what_the_kernel_answers_is_read_as_its_own_mixer_program_reads_it() -> None:
    name = "Audio Output Volume Control Playback "
    assert answered(SWITCH, ON) == Element(2, name + "Switch", "switch", (1,))
    volume = answered(VOLUME, AT_240, SCALE)
    assert volume == Element(3, name + "Volume", "volume", (240, 240), 0, 256, -127.99, 8.0)
    level_db = volume.db(240)
    assert level_db is not None
    assert abs(level_db - -0.5) < 0.01


def test_what_is_no_switch_or_volume_of_the_mixer_is_passed_over() -> None:
    assert answered(CHANNEL_MAP, ON) is None


@pytest.mark.parametrize(
    ("scale", "ends"),
    [
        # tlv.h: a scale has its low end and a step, both in hundredths of a decibel; bit 16 of the
        # step tells that the low end is mute.
        ("0100000008000000f0d8ffff64000100", (-100.0, 156.0)),
        ("0500000008000000f0d8ffff00000000", (-100.0, 0.0)),
        ("00000000100000000400000008000000f0d8ffff00000000", (-100.0, 0.0)),
        ("0200000008000000f0d8ffff00000000", (None, None)),
        ("", (None, None)),
        ("01000000", (None, None)),
    ],
)
def test_decibels_are_known_where_steps_are_even(
    scale: str, ends: tuple[float | None, float | None]
) -> None:
    volume = answered(VOLUME, AT_240, "00" * 8 + scale if scale else "")
    assert volume is not None
    assert (volume.low_db, volume.high_db) == ends


def test_a_card_that_is_not_there_is_an_oserror(tmp_path: Path) -> None:
    with pytest.raises(OSError, match="No such file"):
        ControlDevice(3, tmp_path)


class Scripted:
    """A mixer of a list."""

    def __init__(self, *elements: Element) -> None:
        self.all = {element.name: element for element in elements}

    def elements(self) -> list[Element]:
        return list(self.all.values())

    def write(self, element: Element, values: Sequence[int]) -> None:
        self.all[element.name] = element._replace(values=tuple(values))

    def values(self) -> dict[str, tuple[int, ...]]:
        return {name: element.values for name, element in self.all.items()}


def corrected(mixer: Scripted) -> list[str]:
    return [each.line(corrected=True) for each in correct(mixer)]


def report(mixer: Scripted) -> list[str]:
    return [each.line(corrected=False) for each in findings(mixer.elements())]


def test_a_card_in_order_has_no_line() -> None:
    mixer = Scripted(switch("PCM", 1), volume("PCM", 100), switch("Mic", 0), volume("Mic", 90))
    assert corrected(mixer) == report(mixer) == []


def test_what_is_muted_is_opened_and_not_louder_than_moderate() -> None:
    mixer = Scripted(switch("Speaker", 0), volume("Speaker", 128))
    assert report(mixer) == ["'Speaker' is muted"]
    assert mixer.values()["Speaker Playback Switch"] == (0, 0)
    assert corrected(mixer) == ["'Speaker' is muted; opened at -20 dB"]
    assert mixer.values() == {
        "Speaker Playback Switch": (1, 1),
        "Speaker Playback Volume": (80, 80),
    }
    assert report(mixer) == []


def test_what_is_muted_and_low_is_opened_as_low_as_it_stood() -> None:
    mixer = Scripted(switch("PCM", 0), volume("PCM", 60))
    assert corrected(mixer) == ["'PCM' is muted; opened"]
    assert mixer.values()["PCM Playback Volume"] == (60, 60)


def test_what_stands_at_zero_is_raised_to_a_moderate_level() -> None:
    mixer = Scripted(volume("PCM", 0))
    assert corrected(mixer) == ["'PCM' stands at zero; opened at -20 dB"]
    unknown = Scripted(volume("PCM", 0, low_db=None))
    assert corrected(unknown) == ["'PCM' stands at zero; opened at 32 %"]


def test_a_moderate_level_is_never_full_nor_above_it() -> None:
    for low_db, high_db in ((-60.0, 4.0), (-128.0, 8.0), (-10.0, 0.0), (-1.0, 50.0), (None, 0.0)):
        element = volume("PCM", 0, low_db, high_db)
        assert element.low < moderate_level(element) < element.high
        level_db = element.db(moderate_level(element))
        assert level_db is None or low_db is None or level_db <= max(MODERATE_DB, low_db + 1.0)


def test_what_stands_at_full_is_reported_not_changed() -> None:
    mixer = Scripted(volume("PCM", 128))
    assert corrected(mixer) == ["'PCM' stands at full (+4 dB): turn up slowly"]
    assert mixer.values() == {"PCM Playback Volume": (128, 128)}


def test_only_full_is_no_reason_for_a_look() -> None:
    found = findings([volume("PCM", 128), switch("Mic", 1), switch("Speaker", 0, writable=False)])
    assert [(each.name, each.grave) for each in found] == [
        *(("Mic", True), ("PCM", False), ("Speaker", True)),
    ]


def test_a_looped_microphone_is_switched_off_with_or_without_a_switch() -> None:
    mixer = Scripted(switch("Mic", 1), volume("Mic", 40), volume("Sidetone", 64), volume("PCM", 90))
    assert corrected(mixer) == [
        "'Mic' is looped to the output; switched off",
        "'Sidetone' is looped to the output; switched off",
    ]
    assert mixer.values()["Mic Playback Switch"] == (0, 0)
    assert mixer.values()["Sidetone Playback Volume"] == (0, 0)
    assert mixer.values()["PCM Playback Volume"] == (90, 90)


def test_an_exit_that_is_closed_while_another_is_open_stays_closed() -> None:
    mixer = Scripted(switch("Headphone", 1), switch("Speaker", 0), volume("Speaker", 0))
    assert corrected(mixer) == []
    mixer = Scripted(switch("Headphone", 0), switch("Speaker", 0))
    assert len(corrected(mixer)) == 2


def test_what_carries_no_sound_of_ours_is_left_alone() -> None:
    names = ("Beep", "IEC958", "Output Mixer HiFi", "HDMI/DP")
    assert corrected(Scripted(*(switch(name, 0) for name in names))) == []


def test_what_cannot_be_set_is_only_reported() -> None:
    mixer = Scripted(switch("PCM", 0, writable=False))
    assert corrected(mixer) == ["'PCM' is muted, and can't be set from here"]
