from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.gestures import rested, resting
from config.settings import Settings
from daemon.midi.channel_state import ChannelState
from voices.instrument import Instrument

CHANNEL = 3


def noted(*messages: Sequence[int], controller: int = 0) -> ChannelState:
    state = ChannelState()
    for message in messages:
        state.record(message, controller)
    return state


SETTINGS = Settings.model_validate({"bindings": []})
INSTRUMENT = Instrument(SETTINGS, sample_rate=48_000, block_frames=64)


def received(messages: list[bytes]) -> dict[str, object]:
    """Return what the instrument's receiver makes of messages, bindings left out."""
    INSTRUMENT.take(b"\xff")
    for message in messages:
        INSTRUMENT.take(message)
    channel = INSTRUMENT.channel(CHANNEL)
    told = ("bend", "bend_range_cents", "parameter")
    programs = [message[1] for message in messages if message[0] & 0xF0 == 0xC0]
    return {
        **{name: getattr(channel, name) for name in told},
        "goals": list(channel.targets),  # the channel's own changes with what is sent next
        "release": channel.shape.release,
        "hold": channel.pedals.hold,
        "program": programs[-1:],
    }


numbers = st.sampled_from([0, 1, 6, 7, 10, 11, 38, 64, 74, 98, 99, 100, 101, 121, 123])
values = st.one_of(st.sampled_from([0, 127]), st.integers(0, 127))
messages = st.one_of(
    st.builds(lambda n, v: bytes((0xB0 | CHANNEL, n, v)), numbers, values),
    st.builds(lambda p: bytes((0xC0 | CHANNEL, p)), values),
    st.builds(lambda a, b: bytes((0xE0 | CHANNEL, a, b)), values, values),
)


@given(st.lists(messages, max_size=40))
def test_a_fresh_receiver_is_brought_to_the_same_state(sent: list[bytes]) -> None:
    state = ChannelState()
    for message in sent:
        state.record(message, 0)
    assert received([message for _, message in state.messages()]) == received(sent)


def test_bank_comes_before_the_program_it_belongs_to() -> None:
    state = noted((0xB0, 0, 1), (0xB0, 32, 2), (0xC0, 5), (0xB0, 0, 9))
    told = [message for _, message in state.messages()]
    program = told.index(bytes((0xC0, 5)))
    assert told[:program] == [bytes((0xB0, 0, 1)), bytes((0xB0, 32, 2))]
    # Stored for the next program change (MIDI 1.0, p. 13).
    assert bytes((0xB0, 0, 9)) in told[program:]


def test_a_program_that_has_no_sound_leaves_the_one_before_it() -> None:
    sent = [bytes((0xC0 | CHANNEL, program)) for program in (5, 127)]
    state = noted(*sent)
    assert [message for _, message in state.messages()] == sent
    assert state.programs() == {(0, 127)}
    loud = bytes((0xB0 | CHANNEL, 11, 0))
    assert received([*(message for _, message in state.messages()), loud]) == received(
        [*sent, loud]
    )


def test_no_more_programs_are_remembered_than_a_channel_has() -> None:
    state = noted(*((0xC0, program) for _ in range(2) for program in range(128)), (0xC0, 3))
    (_, oldest), *_, (_, latest) = state.messages()
    assert (oldest, latest) == (b"\xc0\x00", b"\xc0\x03")
    assert len(state.messages()) == 128


def test_a_coarse_value_forgets_its_fine_one() -> None:
    # MIDI 1.0, p. 12: the receiver sets the LSB to 0 on a new MSB.
    state = noted((0xB0, 7, 100), (0xB0, 39, 55), (0xB0, 7, 90))
    assert [message for _, message in state.messages()] == [bytes((0xB0, 7, 90))]


def test_keys_that_are_down_are_counted() -> None:
    state = noted((0x90, 60, 9), (0x91, 60, 9), (0x90, 64, 9), (0x90, 60, 0), (0x80, 99, 0))
    assert state.held_keys(0) == 2
    assert state.held_keys(1) == 0
    state.record((0xB0, 123, 0), 0)
    assert state.held_keys(0) == 1


def test_controllers_are_kept_apart_and_forgotten_one_by_one() -> None:
    state = noted((0xB0, 7, 1))
    state.record((0xB0, 7, 2), 1)
    assert state.messages() == [(0, bytes((0xB0, 7, 1))), (1, bytes((0xB0, 7, 2)))]
    state.reset(0)
    assert state.messages() == [(1, bytes((0xB0, 7, 2)))]


def test_what_is_no_channel_message_changes_nothing() -> None:
    odd = [(0xF8,), (0xF0, 1, 2, 0xF7), (0x40, 1, 2), (0x90,), (0x90, 60), (0xB0, 7), (0xE0, 1)]
    assert noted(*odd).messages() == []


def test_a_knob_whose_work_is_kept_counts_as_kept_while_it_only_trembles() -> None:
    state = noted((0xB0, 20, 60), (0xB0, 21, 60))
    state.rest({20, 21}, {20, 21})
    for value in (61, 59, 64, 56):
        state.record((0xB0, 20, value), 0)
    state.record((0xB0, 21, 65), 0)
    assert state.is_rested(0, (0xB0, 20, 0))
    assert not state.is_rested(0, (0xB0, 21, 0))
    state.record((0xB0, 21, 60), 0)
    assert not state.is_rested(0, (0xB0, 21, 0))


@pytest.mark.parametrize("now", [100, 102, 120, 20])
@pytest.mark.parametrize("number", range(70, 76))
def test_a_sound_controller_does_the_same_in_a_later_player_once_a_sound_has_what_it_made(
    number: int, now: int
) -> None:
    stood, moved = (bytes((0xB0 | CHANNEL, number, value)) for value in (90, now))
    state = noted(stood)
    state.rest({20}, {20})
    state.record(moved, 0)
    later = shaped([message for _, message in state.messages()])
    assert later == shaped([stood], [moved])
    assert later != shaped([moved])


def shaped(*parts: list[bytes]) -> tuple[list[float], dict[str, object]]:
    """Return what messages make of a sound that is kept after each part but the last."""
    INSTRUMENT.take(b"\xff")
    for part in parts:
        for message in part:
            INSTRUMENT.take(message)
        if part is not parts[-1]:
            INSTRUMENT.take(rested(as_told=False))
            INSTRUMENT.apply(SETTINGS)
    channel = INSTRUMENT.channel(CHANNEL)
    return list(channel.targets), dict(vars(channel.shape))


def test_where_a_sound_controller_rests_is_known_to_a_later_daemon() -> None:
    state, later = noted((0xB0, 74, 90)), ChannelState()
    state.rest([], [])
    for controller, message in state.rests():
        later.rest_again(controller, message)
    assert (
        later.messages()
        == state.messages()
        == [*((0, message) for message in (b"\xb0\x4a\x5a", resting(0, 74), b"\xb0\x4a\x5a"))]
    )
    later.reset(0)
    assert later.messages() == []
