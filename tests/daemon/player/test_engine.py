import random
import tracemalloc

import numpy as np
import pytest

from config.settings import Settings
from daemon.ipc.counters import SharedCounters
from daemon.ipc.message_ring import GONE, MessageRing
from daemon.player.engine import GUARD_US, MESSAGES_PER_BLOCK, Engine
from tests.support.fakes import ScriptedInstrument

RATE, BLOCK = 48_000, 64
BLOCK_US = BLOCK * 1e6 / RATE
START_US = 5_000_000
NOTE = (0x90, 69, 100)


class Stage:
    """A player with its shared memory, stepped block by block in virtual time."""

    def __init__(self, block: int = BLOCK, real: bool = False) -> None:
        self.ring = MessageRing(memoryview(bytearray(MessageRing.SIZE)))
        self.board = SharedCounters(memoryview(bytearray(SharedCounters.SIZE)))
        self.fake = ScriptedInstrument()
        self.block = block
        self.playing = Engine(
            Settings(),
            ring=self.ring,
            counters=self.board,
            sample_rate=RATE,
            block_frames=block,
            instrument=None if real else self.fake,
        )
        self.blocks = 0
        self.out = np.full((block, 2), np.nan, np.float32)

    @property
    def now_us(self) -> float:
        return START_US + self.blocks * self.block * 1e6 / RATE

    def step(self, count: int = 1, late_us: float = 0.0, underflow: bool = False) -> None:
        for _ in range(count):
            self.playing.render_block(self.out, round(self.now_us + late_us), underflow)
            self.blocks += 1


@pytest.mark.parametrize("block", [32, 64, 128, 256, 512, 1024])
def test_every_note_sounds_one_block_and_the_guard_after_its_time(block: int) -> None:
    stage, chance = Stage(block), random.Random(block)
    stage.step(3 * RATE // block)
    sent = []
    for _ in range(200):
        for offset in sorted(chance.uniform(0, block * 1e6 / RATE) for _ in range(3)):
            # Between the block before and the one that is asked for next.
            time_us = int(stage.now_us - block * 1e6 / RATE + offset)
            sent.append(time_us)
            assert stage.ring.put(NOTE, time_us, 0)
        stage.step(late_us=chance.uniform(0, 400))
    stage.step(3)
    delays = [
        (frame * 1e6 / RATE + START_US) - time_us
        for time_us, (frame, _, _) in zip(sent, stage.fake.heard, strict=True)
    ]
    wanted = block * 1e6 / RATE + GUARD_US
    # A fifth of the 1 ms by which a delay may vary (Wessel & Wright 2002).
    assert max(abs(delay - wanted) for delay in delays) < 200
    assert stage.playing.timing.late_events == 0


def test_a_message_for_a_later_block_waits_for_it() -> None:
    stage = Stage()
    stage.step(4)
    stage.ring.put(NOTE, round(stage.now_us) - 10, 0)  # due 490 µs into the block after the next
    stage.step()
    assert stage.fake.heard == []
    stage.step()
    assert [frame // BLOCK for frame, _, _ in stage.fake.heard] == [stage.blocks - 1]


def test_a_message_that_comes_too_late_is_played_at_once_and_counted() -> None:
    stage = Stage()
    stage.step(8)
    stage.ring.put(NOTE, round(stage.now_us - 5 * BLOCK_US), 2)
    stage.step()
    assert stage.fake.heard == [(8 * BLOCK, 2, bytes(NOTE))]
    assert stage.board.snapshot().late_events == 1


def test_what_waited_for_the_player_is_played_at_once_and_is_not_late() -> None:
    stage = Stage()
    for _ in range(2 * MESSAGES_PER_BLOCK):
        stage.ring.put(NOTE, START_US - 90_000, 2)
    stage.step(2)
    assert len(stage.fake.heard) == 2 * MESSAGES_PER_BLOCK
    assert stage.board.snapshot().late_events == 0


def test_the_release_of_what_an_unplugged_controller_held_is_no_late_message() -> None:
    stage = Stage()
    stage.step(8)
    stage.ring.put(GONE, round(stage.now_us - 5 * BLOCK_US), 2)
    stage.step()
    assert stage.fake.gone == [(8 * BLOCK, 2)]
    assert stage.board.snapshot().late_events == 0


def test_messages_are_handed_over_in_order_even_when_their_times_are_not() -> None:
    stage = Stage()
    stage.step(4)
    for back_us in (700, 900, 800):
        stage.ring.put(NOTE, round(stage.now_us) - back_us, 0)
    stage.step(3)
    frames = [frame for frame, _, _ in stage.fake.heard]
    assert len(frames) == 3
    assert frames == sorted(frames)


def test_a_flood_of_messages_is_spread_over_blocks_and_none_is_lost() -> None:
    stage = Stage()
    stage.step(4)
    sent = [(0xB0, number % 120, number // 120) for number in range(3 * MESSAGES_PER_BLOCK)]
    for message in sent:
        assert stage.ring.put(message, round(stage.now_us - 3 * BLOCK_US), 0)
    for blocks in (1, 2, 3):
        stage.step()
        assert [tuple(heard) for _, _, heard in stage.fake.heard] == (
            sent[: blocks * MESSAGES_PER_BLOCK]
        )


def test_the_last_keys_of_a_large_chord_sound_a_block_later_and_count_as_punctual() -> None:
    stage = Stage()
    stage.step(4)
    struck = round(stage.now_us) - 800
    for key in range(60, 76):
        stage.ring.put((0x90, key, 100), struck, 0)
    stage.ring.put((0xB0, 1, 64), struck, 0)
    stage.step(3)
    frames = [frame for frame, _, _ in stage.fake.heard]
    keys = [message[1] for _, _, message in stage.fake.heard]
    assert keys == [*range(60, 76), 1]
    first = frames[0] // BLOCK
    assert [frame // BLOCK - first for frame in frames] == [0] * 8 + [1] * 9
    assert stage.playing.timing.late_events == 0


def test_a_chord_that_is_struck_over_two_blocks_waits_for_no_third() -> None:
    stage = Stage()
    stage.step(4)
    for key in range(40):
        stage.ring.put((0x90, 40 + key, 100), round(stage.now_us) - 800, 0)
    stage.step(2)
    assert len(stage.fake.heard) == 40


def test_an_unplugged_controller_is_released_by_its_number() -> None:
    stage = Stage()
    stage.step(4)
    stage.ring.put(GONE, round(stage.now_us) - 800, 3)
    stage.step()
    assert [controller for _, controller in stage.fake.gone] == [3]
    assert stage.fake.heard == []


def test_notes_that_overflowed_the_ring_are_booked() -> None:
    stage = Stage()
    while stage.ring.put(NOTE, START_US, 0):
        pass
    stage.ring.put(NOTE, START_US, 0)
    stage.step(20)
    accepted = len(stage.fake.heard)
    seen = stage.board.snapshot()
    assert seen.accounts["queue overflow"] == 2
    assert seen.received == accepted + 2 == sum(seen.accounts.values())


def test_new_settings_are_in_force_from_the_next_block_and_the_latest_win() -> None:
    stage = Stage()
    stage.step()
    stage.playing.submit(Settings(polyphony=3))
    stage.playing.submit(Settings(polyphony=5))
    assert stage.fake.applied == []
    stage.step(2)
    assert [settings.polyphony for settings in stage.fake.applied] == [5]


def test_an_exception_costs_one_silent_block_and_is_reported() -> None:
    stage = Stage()
    stage.step()
    stage.fake.failing = True
    stage.step(2)
    assert not stage.out.any()
    assert stage.playing.consecutive_faults == 2
    stage.fake.failing = False
    stage.step()
    assert stage.out.all()
    assert stage.playing.consecutive_faults == 0
    seen = stage.board.snapshot()
    assert (seen.faults, seen.last_error) == (2, "RuntimeError: the bellows leak")
    assert seen.blocks == 4


@pytest.mark.parametrize("level", [1.5, float("nan"), float("inf"), -float("inf")])
def test_a_block_beyond_full_scale_is_silenced(level: float) -> None:
    stage = Stage()
    stage.fake.level = abs(level)
    stage.step()
    assert not stage.out.any()
    assert stage.board.snapshot().faults == 1


def test_the_sound_fades_out_before_the_player_goes() -> None:
    stage = Stage()
    stage.step()
    stage.playing.fade_out()
    faded = []
    while not stage.playing.is_silent:
        stage.step()
        faded.append(stage.out[:, 0].copy())
        assert len(faded) < 100
    course = np.concatenate(faded)
    assert course[0] == pytest.approx(0.5, abs=1e-3)
    assert not course[-BLOCK:].any()
    assert (np.diff(course) <= 0).all()
    assert -np.diff(course).min() < 0.5 * np.pi / 2 / 900  # no step: 20 ms are 960 frames
    assert 0.015 * RATE < np.count_nonzero(course) < 0.03 * RATE


def test_after_an_underflow_messages_are_on_time_again_at_once() -> None:
    stage = Stage()
    stage.step(50)
    stage.step(late_us=40_000, underflow=True)
    stage.ring.put(NOTE, round(stage.now_us + 40_000 - BLOCK_US / 2), 0)
    stage.step(3, late_us=40_000)
    seen = stage.board.snapshot()
    assert (seen.underflows, seen.late_events) == (1, 0)
    frame = stage.fake.heard[0][0]
    delay_us = (frame - 51 * BLOCK) * 1e6 / RATE + BLOCK_US / 2
    assert abs(delay_us - BLOCK_US - GUARD_US) < 50


def test_a_block_makes_no_growing_memory() -> None:
    stage = Stage()
    stage.step(100)
    tracemalloc.start()
    try:
        before = tracemalloc.get_traced_memory()[0]
        stage.step(500)
        after, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert after - before < 4_000
    assert peak - before < 20_000


def test_the_real_instrument_sounds_on_the_frame_that_is_due() -> None:
    stage = Stage(real=True)
    stage.step(100)
    time_us = round(stage.now_us - 300)
    stage.ring.put((0x90, 69, 127), time_us, 0)
    first = stage.blocks * BLOCK
    heard = []
    for _ in range(20):
        stage.step()
        heard.append(stage.out[:, 0].copy())
    onset = first + int(np.flatnonzero(np.concatenate(heard))[0])
    delay_us = onset * 1e6 / RATE + START_US - time_us
    # A sine's first sample is zero, and a raised cosine starts from it: a few frames are silent.
    assert BLOCK_US + GUARD_US - 50 < delay_us < BLOCK_US + GUARD_US + 200


@pytest.mark.slow
def test_every_note_on_stands_in_one_account_at_every_block() -> None:
    stage, chance = Stage(real=True), random.Random(11)
    sent = 0
    for _ in range(1500):
        for _ in range(chance.randrange(3)):
            key, controller = chance.randrange(30, 100), chance.randrange(2)
            status = 0x90 if chance.random() < 0.6 else 0x80
            if chance.random() < 0.02:
                stage.ring.put((0xFF,), round(stage.now_us) - 400, controller)
            stage.ring.put((status, key, 100), round(stage.now_us) - 300, controller)
            sent += status == 0x90
        if chance.random() < 0.01:
            stage.playing.submit(Settings(polyphony=chance.randrange(1, 20)))
        stage.step()
        seen = stage.board.snapshot()
        assert seen.received == sum(seen.accounts.values())
        assert seen.faults == 0, seen.last_error
    stage.step(3)
    assert stage.board.snapshot().received == sent == stage.ring.notes
