from pathlib import Path

import pytest

from daemon.linux.led import StatusLed


@pytest.mark.parametrize("wanted", ["", "activity"])
def test_a_light_on_a_keyboard_is_not_the_boards(tmp_path: Path, wanted: str) -> None:
    """Source: the kernel's leds-class page: an input device's LEDs are ``inputN::function``."""
    keyboard = tmp_path / "input3::activity"
    keyboard.mkdir()
    for name, content in {"brightness": "0", "max_brightness": "1", "trigger": "[kbd]"}.items():
        (keyboard / name).write_text(content)
    status_led = StatusLed(tmp_path)
    status_led.use(wanted)
    status_led.show("playing", 0)
    assert (keyboard / "trigger").read_text() == "[kbd]"
    assert (keyboard / "brightness").read_text() == "0"
