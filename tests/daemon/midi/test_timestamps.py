import random

from daemon.midi.timestamps import Timestamper


def test_jitter_of_the_callback_does_not_reach_the_times() -> None:
    seeded = random.Random(1)
    timestamper, errors = Timestamper(), []
    sent_us = 1_000_000
    for _ in range(400):
        gap_us = seeded.randrange(500, 60_000)
        sent_us += gap_us
        now_us = sent_us + 100 + seeded.randrange(0, 3_000)
        errors.append(timestamper.time_us(now_us, gap_us / 1e6) - sent_us)
    settled = errors[50:]
    # The callbacks jitter by 3,000 µs.
    assert max(settled) - min(settled) < 600
    assert min(settled) >= 99


def test_no_time_is_later_than_its_callback() -> None:
    seeded = random.Random(2)
    timestamper, now_us = Timestamper(), 0
    for _ in range(1000):
        now_us += seeded.randrange(0, 40_000)
        assert timestamper.time_us(now_us, seeded.random() * 0.05) <= now_us


def test_a_lost_interval_is_made_up_for() -> None:
    timestamper = Timestamper()
    timestamper.time_us(1_000_000, 0.0)
    assert timestamper.time_us(1_010_000, 0.01) == 1_010_000
    # Nine seconds of which the driver says nothing.
    assert timestamper.time_us(10_000_000, 0.01) == 10_000_000


def test_a_driver_whose_clock_is_slow_is_followed() -> None:
    timestamper, now_us, driver_us = Timestamper(), 0.0, 0.0
    for _ in range(3000):
        now_us += 100_000
        driver_us += 100_000 * (1 - 100e-6)
        time_us = timestamper.time_us(int(now_us), 0.1 * (1 - 100e-6))
    assert now_us - time_us < 100
