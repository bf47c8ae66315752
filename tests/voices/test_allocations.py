"""What a block allocates on the audio path, and that nothing of it stays.

`tracemalloc` sees Python's objects and numpy's arrays alike, both of which go through it.
"""

import gc
import tracemalloc
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import numpy as np
import pytest

from config.settings import Settings
from config.sound import Sound
from tests.support.busy_instrument import busy_instrument
from tests.support.playing import sound
from voices.instrument import Instrument
from voices.notes.note_count import REMEMBERED

pytestmark = pytest.mark.slow
FRAMES = 128
STEADY_BYTES = 40 * 1024
"""Above what is there already, a block may take so much at a time while nothing changes ..."""
BENDING_BYTES = 1024 * 1024
"""... so much while sixteen voices of 32 partials bend ..."""
EVENT_BYTES = 512 * 1024
"""... and so much when notes come and go."""
STAYING_BYTES = 1024
AGAIN = 1920
"""After so many blocks the same keys and knobs are played again, at the same frames."""


@contextmanager
def watched() -> Iterator[None]:
    """Count every allocation, with the collector out of the way, as in the player."""
    gc.collect()
    gc.disable()
    tracemalloc.start(1)
    try:
        yield
    finally:
        tracemalloc.stop()
        gc.enable()


def most_bytes(blocks: int, each: Callable[[int], None]) -> int:
    """Return the most that any of these blocks had allocated at one time."""
    most = 0
    with watched():
        for block in range(blocks):
            before, _ = tracemalloc.get_traced_memory()
            tracemalloc.reset_peak()
            each(block)
            _, peak = tracemalloc.get_traced_memory()
            most = max(most, peak - before)
    return most


def growth(blocks: int, each: Callable[[int], None]) -> int:
    """Return how many bytes stay allocated after so many blocks, the least of three times.

    What is kept, a limited number of each, may still be made in the first of them.
    """
    least = 1 << 30
    with watched():
        for block in range(2 * REMEMBERED):  # until every note that is remembered is a new one
            each(block)
        for _ in range(3):
            before, _peak = tracemalloc.get_traced_memory()
            for block in range(blocks):
                each(block)
            after, _peak = tracemalloc.get_traced_memory()
            least = min(least, after - before)
            if least < STAYING_BYTES:
                break
    return least


def silent() -> Instrument:
    return Instrument(Settings(), sample_rate=48_000, block_frames=FRAMES)


def rendering(instrument: Instrument) -> Callable[[int], None]:
    out = np.zeros((FRAMES, 2), np.float32)
    return lambda _: instrument.render(out)


def striking(instrument: Instrument) -> Callable[[int], None]:
    """Return a block of a lively player: onsets, releases, steals, a pedal, bends, volume."""
    out = np.zeros((FRAMES, 2), np.float32)

    def block(number: int) -> None:
        key, old = 36 + 7 * number % 48, 36 + 7 * (number - 5) % 48
        instrument.take((0x90, key, 100), number % FRAMES)
        instrument.take((0x80, old, 64), number % FRAMES)
        if number % 16 == 0:
            instrument.take((0xB0, 64, 127 * (number // 16 % 2)), 3)
        if number % 8 == 0:
            instrument.take((0xE0, 0, 64 + 60 * (number // 8 % 2)), 5)
            instrument.take((0xB0, 7, 90 + number // 8 % 20), 7)
            instrument.take((0xB0, 74, 40 + number // 8 % 40), 9)
        if number % 64 == 0:
            instrument.take((0xB0, 120, 0), 11)
        instrument.render(out)

    return block


CASES: dict[str, tuple[Callable[[], Callable[[int], None]], int]] = {
    "silence": (lambda: rendering(silent()), STEADY_BYTES),
    "held, decaying and released notes": (
        lambda: rendering(busy_instrument(16, 32, FRAMES)),
        STEADY_BYTES,
    ),
    "everything bending": (
        lambda: rendering(busy_instrument(16, 32, FRAMES, moving=True)),
        BENDING_BYTES,
    ),
    "onsets, releases, steals, knobs": (
        lambda: striking(busy_instrument(8, 32, FRAMES)),
        EVENT_BYTES,
    ),
}


@pytest.mark.parametrize("case", CASES)
def test_a_block_allocates_no_more_at_a_time_than_is_promised(case: str) -> None:
    make, bound = CASES[case]
    each = make()
    for block in range(200):  # tables of new keys, views: what is kept is made once
        each(block)
    assert most_bytes(200, each) <= bound


@pytest.mark.parametrize("case", CASES)
def test_nothing_that_a_block_allocates_stays(case: str) -> None:
    make, _ = CASES[case]
    assert growth(AGAIN, make()) < STAYING_BYTES


def sizes(root: object) -> dict[int, tuple[str, int]]:
    """Return every container that can be reached from an object of ours, with its length."""
    found: dict[int, tuple[str, int]] = {}
    waiting: list[Any] = [root]
    seen: set[int] = set()
    while waiting:
        each = waiting.pop()
        if id(each) in seen or isinstance(each, (Sound, Settings)):
            continue
        seen.add(id(each))
        if isinstance(each, (list, dict, set, deque)):
            found[id(each)] = (type(each).__name__, len(each))
        if isinstance(each, dict):
            waiting += each.values()
        elif isinstance(each, (list, tuple, set, deque)):
            waiting += each
        elif type(each).__module__.startswith("voices."):
            names = [*getattr(each, "__dict__", ()), *getattr(type(each), "__slots__", ())]
            waiting += [getattr(each, name) for name in names if hasattr(each, name)]
    return found


def test_no_container_grows_with_the_blocks() -> None:
    instrument = busy_instrument(8, 32, FRAMES)
    each = striking(instrument)
    for block in range(1_000):
        each(block)
    before = sum(length for _, length in sizes(instrument).values())
    assert before > 1_000  # the notes that are remembered, the cached tables: it does look inside
    for block in range(1_000):
        each(block)
    assert abs(sum(length for _, length in sizes(instrument).values()) - before) < 64


def test_twice_as_many_notes_as_there_are_voices_find_room_in_one_block() -> None:
    instrument = busy_instrument(16, 32, FRAMES)
    render = rendering(instrument)

    def strike(block: int) -> None:
        for key in range(32):
            instrument.take((0x9E, 40 + key, 100), key)
        render(block)

    assert most_bytes(1, strike) < EVENT_BYTES  # every array twice as long would take 1.6 MB
    assert instrument.sounding == 16 + 32


def test_a_prepared_change_of_sound_leaves_little_to_the_first_note() -> None:
    def cost(*, prepared: bool) -> int:
        instrument = silent()
        other = instrument.settings.model_copy(
            update={"sound": instrument.settings.sound.model_copy(update={"name": "tower-bell"})}
        )
        if prepared:
            instrument.prepare(other)
        render = rendering(instrument)

        def first_note(_: int) -> None:
            instrument.apply(other)
            instrument.take((0x90, 60, 100))
            render(0)

        return most_bytes(1, first_note)

    assert cost(prepared=True) < 128 * 1024 < cost(prepared=False)


def test_vibrato_costs_no_more_after_a_note_that_decays_by_partials() -> None:
    steady, decaying = sound([-20.0] * 16), sound([-20.0] * 16, decay_s=0.1)
    settings = Settings.model_validate({"sound": {"name": "a", "programs": ["a", "b"]}})
    instrument = Instrument(
        settings, sample_rate=48_000, block_frames=FRAMES, sounds={"a": steady, "b": decaying}
    )
    render = rendering(instrument)
    instrument.take((0x90, 40, 100))
    instrument.take((0xB0, 1, 127))
    for block in range(100):
        render(block)
    before = most_bytes(20, render)
    for message in ((0xC1, 1), (0x91, 47, 100)):
        instrument.take(message)
    instrument.take((0xB1, 1, 127))
    assert most_bytes(20, render) > before
    for block in range(200):  # it has died away
        render(block)
    assert instrument.sounding == 1
    assert most_bytes(20, render) < before + 256
