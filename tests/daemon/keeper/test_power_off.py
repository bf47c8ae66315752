"""The chord that switches the board off."""

from pathlib import Path

import pytest

from config.settings import Settings
from daemon.keeper.power_off import FAREWELL_US, HOLD_US, PowerOff, ask_for_power_off

TICK_US = 250_000
CHORD = {36, 38}


def armed() -> PowerOff:
    power = PowerOff()
    power.keys = frozenset(CHORD)
    return power


def test_the_chord_counts_when_it_alone_is_held_for_five_seconds() -> None:
    power = PowerOff()
    assert not any(power.step(CHORD, us) for us in range(0, 2 * HOLD_US, TICK_US))
    power.keys = frozenset(CHORD)
    steps = [power.step(CHORD, us) for us in range(0, 3 * HOLD_US, TICK_US)]
    begun = HOLD_US // TICK_US
    assert steps.index("farewell") == begun
    assert steps.index("power") == begun + FAREWELL_US // TICK_US
    assert sum(step is not None for step in steps) == 2
    # A key more, or a key less for a moment, is music.
    for down in ({36, 38, 40}, {36}, set()):
        assert not power.step(down, 4 * HOLD_US)
        assert not power.step(CHORD, 5 * HOLD_US)
        assert not power.step(CHORD, 6 * HOLD_US - 1)


@pytest.mark.parametrize("down", [{36}, {36, 38, 40}, {36, 40}])
def test_other_keys_however_long_they_are_held_do_nothing(down: set[int]) -> None:
    power = armed()
    assert not any(power.step(down, us) for us in range(0, 3 * HOLD_US, TICK_US))
    assert not power.begun


def test_the_wish_is_a_file_for_the_system_and_where_none_can_be_a_line_in_the_log(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    ask_for_power_off(tmp_path)
    assert (tmp_path / "poweroff").exists()
    assert caplog.messages == []
    ask_for_power_off(tmp_path / "nowhere")
    assert len(caplog.messages) == 1
    assert caplog.messages[0].startswith("the board can't be switched off: ")


def test_keys_played_during_the_farewell_do_not_keep_the_power() -> None:
    power = armed()
    assert power.step(CHORD, 0) is None
    assert power.step(CHORD, HOLD_US) == "farewell"
    assert power.begun
    for us in range(TICK_US, FAREWELL_US, TICK_US):
        down = CHORD if us % (2 * TICK_US) else set()
        assert power.step(down, HOLD_US + us) is None
    assert power.step(set(), HOLD_US + FAREWELL_US) == "power"


def test_a_board_that_stays_on_can_be_asked_again() -> None:
    power = armed()
    for start in (0, 20_000_000):
        power.step(set(), start)
        steps = [power.step(CHORD, start + us) for us in range(0, 3 * HOLD_US, TICK_US)]
        assert [step for step in steps if step] == ["farewell", "power"]


def test_a_chord_of_one_key_is_refused() -> None:
    with pytest.raises(ValueError, match="at least two different keys"):
        Settings.model_validate({"power": {"off_keys": [36]}})
