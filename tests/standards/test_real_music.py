"""Music that nobody here wrote, through the instrument.

Sources: the MIDI parser's own test files and scores of the corpus in the PyPI package music21
10.5.1 (the version is pinned, for the counts hang on it); the scores are read and played, not
kept. Long pieces are cut.
"""

import warnings
from functools import cache
from pathlib import Path

import music21
import numpy as np
import pytest
from numpy.typing import NDArray

from config.library import shipped
from config.settings import Settings
from daemon.offline.midi_file import Song, read
from daemon.offline.rendering import render
from tests.support.measure import cents, db, peak
from tests.support.recorded import rendered

RATE = 48_000
PRIMITIVES = Path(music21.__file__).parent / "midi/testPrimitive"
FILES = sorted(path.name for path in PRIMITIVES.glob("test*.mid"))
SCORES = ("bach/bwv66.6", "bach/bwv846", "schoenberg/opus19/movement2", "corelli/opus3no1/1grave")
LONGEST_S = 20.0
pytestmark = pytest.mark.slow
SETTINGS = Settings(polyphony=32)


@pytest.fixture(scope="module", autouse=True)
def _quiet_library() -> None:
    warnings.simplefilter("ignore")


@cache
def exported(score: str, folder: Path) -> Song:
    """Return a score of the corpus as the MIDI file that music21 makes of it."""
    from music21 import corpus

    path = folder / (score.replace("/", "-") + ".mid")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        corpus.parse(score).write("midi", fp=path)
    return read(path)


def cut(song: Song, seconds: float = LONGEST_S) -> Song:
    events = [event for event in song.events if event[0] <= seconds]
    return Song(events, min(song.length_s, seconds), song.tracks, song.repairs)


def check(song: Song) -> None:
    """Play a song and look at what has to hold for any."""
    audio, rendering = rendered(song, SETTINGS)
    ledger = rendering.instrument.ledger
    accounts = ledger.accounts()
    assert np.isfinite(audio).all()
    assert rendering.peak == peak(audio) <= 10 ** (SETTINGS.level.ceiling_db / 20) * 1.000001
    assert ledger.received == song.notes == sum(accounts.values())
    assert accounts["sounding"] == 0, "a note was left hanging"
    assert rendering.instrument.sounding == 0 or peak(audio[-1024:]) < 10 ** (-80 / 20)
    assert song.length_s * RATE <= len(audio) <= (song.length_s + 60) * RATE + 1024
    if song.notes:
        assert peak(audio) > 1e-3


@pytest.mark.parametrize("name", FILES)
def test_a_file_of_the_parser_s_own_tests_plays_to_its_end(name: str) -> None:
    check(cut(read(PRIMITIVES / name)))


@pytest.mark.parametrize("score", SCORES)
def test_a_score_of_the_corpus_plays_to_its_end(
    score: str, tmp_path_factory: pytest.TempPathFactory
) -> None:
    check(cut(exported(score, tmp_path_factory.getbasetemp())))


def test_a_chorale_has_the_notes_that_its_score_has(
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    """Counted with another MIDI reader (mido): BWV 66.6 has 163 note-ons, keys 42 to 76."""
    song = exported("bach/bwv66.6", tmp_path_factory.getbasetemp())
    keys = [message[1] for _, message in song.events if message[0] >> 4 == 9 and message[2]]
    assert (len(keys), min(keys), max(keys)) == (163, 42, 76)
    _, rendering = rendered(song, SETTINGS)
    assert rendering.instrument.ledger.received == 163


@pytest.mark.parametrize("name", ["test04.mid", "test09.mid", "test19.mid", "bach/bwv66.6"])
def test_real_music_sounds_the_same_in_blocks_of_64_and_512(
    name: str, tmp_path_factory: pytest.TempPathFactory
) -> None:
    song = (
        read(PRIMITIVES / name)
        if name.endswith(".mid")
        else exported(name, tmp_path_factory.getbasetemp())
    )
    small, _ = rendered(cut(song, 12.0), SETTINGS, 64)
    large, _ = rendered(cut(song, 12.0), SETTINGS, 512)
    frames = min(len(small), len(large))
    assert peak(small) > 0
    assert db(peak(small[:frames] - large[:frames]) / peak(large)) < -100.0


def bent_notes(song: Song) -> list[tuple[float, float, int]]:
    """Return the notes that sound alone for more than 0.3 s: start, end, key."""
    found, since, key = [], 0.0, 0
    for time_s, message in song.events:
        if message[0] >> 4 in (8, 9):
            if key and time_s - since > 0.3:
                found.append((since, time_s, key))
            since, key = time_s, message[1] if message[0] >> 4 == 9 and message[2] else 0
    return found


def asked_cents(song: Song, start: float, end: float) -> NDArray[np.float64]:
    """Return what the bends ask for at every millisecond of a stretch of the song."""
    times = [(0.0, 0.0)]
    for time_s, message in song.events:
        if message[0] >> 4 == 14:
            times.append((time_s, ((message[2] << 7 | message[1]) - 8192) / 8192 * 200))
    at, cents_off = np.array(times).T
    moments = np.arange(start, end, 0.001)
    return np.asarray(cents_off[np.searchsorted(at, moments, side="right") - 1])


def mean_frequency(audio: NDArray[np.float32]) -> tuple[float, float, float]:
    """Return the mean frequency between the first and last rising zero, and both in frames."""
    wave = audio.astype(np.float64)
    rising = np.flatnonzero((wave[:-1] < 0) & (wave[1:] >= 0))
    zeros = rising - wave[rising] / (wave[rising + 1] - wave[rising])
    return (len(zeros) - 1) / (zeros[-1] - zeros[0]) * RATE, float(zeros[0]), float(zeros[-1])


def test_the_bends_of_a_real_file_are_heard_at_the_pitch_that_they_ask_for() -> None:
    """test19 bends without rest by up to 200 cents: the mean pitch of its longer notes."""
    song = read(PRIMITIVES / "test19.mid")
    only = [event for event in song.events if event[1][0] >> 4 in (8, 9, 14)]
    sine = Settings.model_validate({"sound": {"name": "sine"}})
    blocks: list[NDArray[np.float32]] = []
    render(
        Song(only, song.length_s, 1, []),
        sine,
        shipped(),
        RATE,
        lambda block: blocks.append(block.copy()),
    )
    audio = np.concatenate(blocks)[:, 0]
    measured = 0
    for started, ended, key in bent_notes(song):
        first = started + 0.05
        part = audio[int(first * RATE) : int((ended - 0.01) * RATE)]
        frequency, begin, end = mean_frequency(part)
        glide_s = 0.004 + 32 / RATE  # a bend is heard as much later
        asked = asked_cents(song, first + begin / RATE - glide_s, first + end / RATE - glide_s)
        wanted = 440.0 * 2 ** ((key - 69) / 12) * np.mean(2 ** (asked / 1200))
        assert abs(cents(frequency, float(wanted))) < 1.0
        measured += float(np.ptp(asked)) > 20
    assert measured >= 3
