"""A thousand damaged MIDI files through the renderer: one clear line, or music."""

import io
import random

import mido
import numpy as np
import pytest
from numpy.typing import NDArray

from config.library import shipped
from config.settings import Settings
from daemon.errors import RunError
from daemon.offline.midi_file import Song, parse
from daemon.offline.rendering import render

RATE = 22_050
SETTINGS = Settings.model_validate({"sound": {"name": "sine"}, "polyphony": 4})
LONGEST_S = 20.0
CEILING = 10 ** (SETTINGS.level.ceiling_db / 20) * (1 + 1e-6)


def whole_song() -> bytes:
    """Return a song of two tracks with something of everything, a third of a second long."""
    file = mido.MidiFile(type=1, ticks_per_beat=96)
    first, second = mido.MidiTrack(), mido.MidiTrack()
    file.tracks += [first, second]
    first.append(mido.MetaMessage("track_name", name="Market Street March"))
    first.append(mido.MetaMessage("set_tempo", tempo=400_000))
    first.append(mido.Message("sysex", data=[0x7D, 1, 2, 3], time=3))
    for channel, track in enumerate((first, second)):
        track.append(mido.Message("program_change", channel=channel, program=8))
        track.append(mido.Message("control_change", channel=channel, control=7, value=90, time=1))
        for key in (60, 64, 67, 72, 76):
            track.append(mido.Message("note_on", channel=channel, note=key, velocity=80, time=4))
            track.append(mido.Message("pitchwheel", channel=channel, pitch=500, time=2))
            track.append(mido.Message("note_off", channel=channel, note=key, velocity=0, time=9))
    written = io.BytesIO()
    file.save(file=written)
    return written.getvalue()


WHOLE = whole_song()


def damaged(seed: int) -> bytes:
    """Return the song cut short, with bits turned over, or with bytes taken out or put in."""
    chance = random.Random(seed)
    content = bytearray(WHOLE)
    for _ in range(chance.randrange(1, 6)):
        at = chance.randrange(len(content))
        match chance.randrange(4):
            case 0:
                del content[max(at, 1) :]
            case 1:
                content[at] ^= 1 << chance.randrange(8)
            case 2:
                del content[at : at + chance.randrange(1, 4)]
            case _:
                content[at:at] = chance.randbytes(chance.randrange(1, 4))
        content = content or bytearray(b"M")
    return bytes(content)


def read(content: bytes) -> Song | str:
    """Return the song, or what is wrong with the file."""
    try:
        return parse(content, "march.mid")
    except RunError as fault:
        return str(fault)


@pytest.mark.slow
@pytest.mark.parametrize("start", range(0, 1000, 100))
def test_a_damaged_file_is_reported_in_one_line_or_played(start: int) -> None:
    played = 0
    for seed in range(start, start + 100):
        song = read(damaged(seed))
        if isinstance(song, str):
            assert song.startswith("march.mid: ")
            assert "\n" not in song
            continue
        assert all("\n" not in repair for repair in song.repairs)
        assert all(a <= b for (a, _), (b, _) in zip(song.events, song.events[1:], strict=False))
        if song.length_s > LONGEST_S:  # a delta of hours is right, and takes its time
            continue
        played += 1
        peaks: list[float] = []

        def heard(block: NDArray[np.float32], peaks: list[float] = peaks) -> None:
            assert np.isfinite(block).all()
            peaks.append(float(np.abs(block).max()))

        rendering = render(song, SETTINGS, shipped(), RATE, heard)
        ledger = rendering.instrument.ledger
        assert max(peaks) <= CEILING
        assert ledger.received == song.notes == sum(ledger.accounts().values())
        assert ledger.accounts()["sounding"] == 0
        assert peaks[-1] < 10 ** (-80 / 20)
    assert 10 < played < 100


def test_the_song_undamaged_is_whole() -> None:
    song = parse(WHOLE, "march.mid")
    assert (song.repairs, song.notes, song.tracks) == ([], 10, 2)
