"""The room, by its impulse response.

Sources: ISO 3382-1 for the reverberation time (T30: the backward integral from -5 to -35 dB, by
octave bands); J. S. Abel and P. Huang, A simple, robust measure of reverberation echo density,
AES 121 (2006), for the echo density.
"""

from functools import cache
from math import erfc

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import butter, sosfilt

from config import space
from voices.output.room import PLACES, Room

RATE = 48_000
NAMES: list[space.RoomName] = ["parlour", "market hall", "church"]


@cache
def impulse(
    place: space.RoomName, frames: int = 64, rate: int = RATE, t60_s: float = 0.0
) -> NDArray[np.float32]:
    """Return what both sides get of one sample sent into the room, (2, N)."""
    room = Room(space.Room(place=place, level_db=0.0, t60_s=t60_s), rate, frames)
    t60_s = t60_s or PLACES[place].t60_s
    length = -(-int(rate * (1.6 * t60_s + 0.5)) // 1024) * 1024
    sent, out = np.zeros(length, np.float32), np.zeros((2, length), np.float32)
    sent[0] = 1.0
    for start in range(0, length, frames):
        room.add(sent[start : start + frames], out[:, start : start + frames])
    return out


def reverberation_s(response: NDArray[np.float32], octave_hz: float, rate: int = RATE) -> float:
    band = np.array([octave_hz / 2**0.5, min(octave_hz * 2**0.5, 0.49 * rate)])
    filtered = sosfilt(butter(4, band, "band", fs=rate, output="sos"), response.astype(float))
    left = np.cumsum(filtered[::-1] ** 2)[::-1]
    decay_db = 10 * np.log10(left / left[0] + 1e-20)
    first, last = int(np.argmax(decay_db < -5)), int(np.argmax(decay_db < -35))
    return float(-60.0 / np.polyfit(np.arange(first, last) / rate, decay_db[first:last], 1)[0])


def echo_density(response: NDArray[np.float32], at_s: float) -> float:
    """Return 1 where the response is as dense as Gaussian noise, 0 where it is single echoes."""
    half = RATE // 100
    middle = int(at_s * RATE)
    part = response[middle - half : middle + half].astype(float)
    window = np.hanning(2 * half)
    window /= window.sum()
    spread = np.sqrt((window * part**2).sum())
    return float((window * (np.abs(part) > spread)).sum() / erfc(1 / 2**0.5))


@pytest.mark.parametrize("place", NAMES)
@pytest.mark.parametrize("octave_hz", [250, 500, 1000, 2000, 4000])
def test_the_reverberation_time_is_the_one_asked_for(place: space.RoomName, octave_hz: int) -> None:
    wanted = PLACES[place].t60_s
    for side in impulse(place):
        assert reverberation_s(side, octave_hz) == pytest.approx(wanted, rel=0.1)


@pytest.mark.parametrize("place", NAMES)
def test_the_reverberation_time_falls_above_4_khz(place: space.RoomName) -> None:
    side = impulse(place)[0]
    assert reverberation_s(side, 8000) < 0.9 * reverberation_s(side, 2000)


@pytest.mark.parametrize(("t60_s", "rate"), [(0.3, 48_000), (4.0, 48_000), (1.0, 22_050)])
def test_any_time_and_rate_holds(t60_s: float, rate: int) -> None:
    side = impulse("market hall", rate=rate, t60_s=t60_s)[0]
    assert reverberation_s(side, 500, rate) == pytest.approx(t60_s, rel=0.1)


@pytest.mark.parametrize("place", NAMES)
def test_the_echoes_are_dense_soon(place: space.RoomName) -> None:
    """As dense as noise by 0.15 s, in the smallest room by 0.1 s."""
    soon = 0.1 if place == "parlour" else 0.15
    for side in impulse(place):
        around = [echo_density(side, soon + step) for step in (0.0, 0.01, 0.02)]
        assert np.mean(around) > 0.9


@pytest.mark.parametrize("place", NAMES)
def test_the_tail_stays_as_dense_as_noise_and_falls_on(place: space.RoomName) -> None:
    wanted = PLACES[place].t60_s
    for side in impulse(place):
        late = [echo_density(side, at) for at in np.arange(0.2, min(0.8, wanted), 0.01)]
        assert np.mean(late) == pytest.approx(1.0, abs=0.05)
        power = np.convolve(side.astype(float) ** 2, np.ones(RATE // 100), "same")
        assert power[round(1.3 * wanted * RATE) :].max() < 1e-6 * power.max()


@pytest.mark.parametrize("place", NAMES)
def test_the_tail_comes_from_everywhere(place: space.RoomName) -> None:
    left, right = impulse(place)[:, RATE // 10 : RATE * 8 // 10].astype(float)
    assert abs((left * right).sum()) / np.sqrt((left**2).sum() * (right**2).sum()) < 0.2


@pytest.mark.parametrize("place", NAMES)
def test_at_0_db_it_has_the_power_of_what_is_sent(place: space.RoomName) -> None:
    assert 10 * np.log10((impulse(place).astype(float) ** 2).sum()) == pytest.approx(0.0, abs=0.7)


def test_the_tail_does_not_depend_on_the_blocks() -> None:
    short, long = impulse("church", 64), impulse("church", 1024)
    assert np.abs(short - long).max() < 1e-5 * np.abs(short).max()


def test_silence_in_an_empty_room_costs_nothing_and_adds_nothing() -> None:
    room, out = Room(space.Room(place="parlour"), RATE, 64), np.zeros((2, 64), np.float32)
    room.add(np.zeros(64, np.float32), out)
    assert room.quiet
    assert not out.any()


def test_it_becomes_silent_after_its_tail_and_no_sooner() -> None:
    chosen = space.Room(place="parlour", level_db=0.0, t60_s=0.3)
    room, out = Room(chosen, RATE, 64), np.zeros((2, 64), np.float32)
    room.add(np.ones(64, np.float32), out)
    silence, blocks, last = np.zeros(64, np.float32), 0, 0.0
    while not room.quiet:
        out[:] = 0.0
        room.add(silence, out)
        blocks, last = blocks + 1, float(np.abs(out).max())
    assert blocks * 64 / RATE > 0.3
    assert last < 1e-5
