"""A gig in virtual time, and what the journal and `partiald why` say of it afterwards."""

import logging
import random
from collections.abc import Iterator
from pathlib import Path

import pytest

from config.settings import Settings
from daemon.diagnosis.event_log import EventLog
from daemon.diagnosis.readable import readable_losses
from daemon.ipc.messages import Start
from daemon.ipc.note_events import NoteEvents
from daemon.player.engine import Engine
from daemon.storage.deferred_writes import DeferredWrites
from daemon.storage.event_file import EventFile, boot_events, read
from tests.support.virtual_daemon import FRAMES, KEYS, RATE, VirtualDaemon

SCREEN = 24


class Gig(VirtualDaemon):
    """A daemon whose player reports its notes, and whose memory card keeps what happened."""

    def __init__(self, folder: Path) -> None:
        self.note_events = NoteEvents(memoryview(bytearray(NoteEvents.SIZE)))
        writes = DeferredWrites()
        kept = EventFile(folder / "happened", "one")
        self.event_log = EventLog(lambda: self.now_us, self.note_events, kept, writes)
        logging.getLogger().addHandler(self.event_log.warning_handler())
        super().__init__(writes=writes, event_log=self.event_log)

    def start(self, job: Start) -> None:
        super().start(job)
        self.note_events.clear()
        if self.card:
            self.playing = Engine(
                Settings.model_validate(job.settings),
                ring=self.ring,
                counters=self.counters,
                sample_rate=RATE,
                block_frames=FRAMES,
                on_note=self.note_events.put,
            )

    def tune(self, chance: random.Random, bars: int, keys: int) -> None:
        for _ in range(bars):
            chord = chance.sample(range(48, 84), keys)
            self.play(*chord)
            self.run(0.4)
            for key in chord:
                self.hear(bytes([0x80, key, 0]))
            self.run(0.1)

    def why(self) -> list[str]:
        return readable_losses(self.event_log.answer(0, 500)).splitlines()


@pytest.fixture
def gig(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> Iterator[Gig]:
    caplog.set_level(logging.INFO)
    root = logging.getLogger()
    before = list(root.handlers)
    made = Gig(tmp_path)
    made.files.edit(polyphony=5)
    made.keeper.start()
    made.run(0.5)
    made.ports.plug(KEYS)
    made.run(0.5)
    yield made
    root.handlers[:] = before


def test_the_warnings_after_a_gig_are_the_whole_story_in_one_screen(
    gig: Gig, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    chance = random.Random(25)
    gig.tune(chance, 10, keys=4)
    gig.tune(chance, 10, keys=7)  # two too many in each chord
    gig.files.edit("partiald.toml: line 3: polyphony = 0: must be 1 to 256")
    gig.run(2.0)
    assert gig.playing is not None
    for _ in range(8):
        gig.playing.timing.underflows += 3
        gig.tune(chance, 1, keys=3)
    gig.play(60, 64, 67)
    gig.run(0.5)
    gig.ports.unplug(KEYS)
    gig.run(1.0)
    gig.ports.plug(KEYS)
    gig.run(1.0)
    gig.play(60, 62)
    gig.run(0.5)
    gig.card = False
    gig.end("'box' went away")
    gig.run(0.5)
    gig.play(65)
    gig.run(2.0)
    gig.card = True
    gig.run(6.0)
    gig.tune(chance, 4, keys=4)
    gig.run(6.0)
    gig.keeper.stop()
    gig.writes.flush()

    warnings = [record for record in caplog.records if record.levelno >= logging.WARNING]
    lines = [f"{record.name}: {record.getMessage()}" for record in warnings]
    assert len(lines) <= SCREEN
    told = "\n".join(lines)
    for words in (
        "gave way to newer ones in the last",
        "polyphony = 7 would have kept them",
        "line 3: polyphony = 0",
        "settings left as they were",
        "underflow",
        "controller lost: 'Cargo Bike Keys 25'; 3 held notes released",
        "'box' went away; 2 notes cut; looking for a sound card",
    ):
        assert words in told, told
    counted = [line for line in lines if "gave way" in line]
    assert sum(int(line.split()[1]) for line in counted) == 20
    assert sum(int(line.split()[1]) for line in lines if "underflow" in line) == 24

    # Each note has its own line, in the order of time, and all of it is on the memory card.
    each = gig.why()
    assert sum("gave its voice to" in line for line in each) == 20
    assert sum("was cut after 0.5 s: controller unplugged" in line for line in each) == 3
    assert sum("was cut after 0.5 s: 'box' went away" in line for line in each) == 2
    assert sum("F4 (65) on channel 1 was not played: no sound card" in line for line in each) == 1
    assert any("the card ran dry (24 times in" in line for line in each)
    kept = boot_events(read(tmp_path / "happened"), 1)
    assert [record.text for record in kept.entries] == [
        line.split(": ", 1)[1] for line in each[:-1]
    ]
    assert kept.count == each[-1].removeprefix("boot 1: ")
    accounts = gig.keeper.status()["notes"]["accounts"]
    received = gig.keeper.status()["notes"]["received"]
    assert received == sum(accounts.values())
    assert (accounts["stolen"], accounts["cut"], accounts["no sound card"]) == (20, 5, 1)


def test_a_gig_without_trouble_is_silence(gig: Gig, caplog: pytest.LogCaptureFixture) -> None:
    gig.tune(random.Random(1), 6, keys=4)
    gig.run(4.0)
    gig.keeper.stop()
    assert [r.getMessage() for r in caplog.records if r.levelno >= logging.WARNING] == []
    assert gig.why() == [
        "boot 1: everything recorded sounded as played",
        "boot 1: 24 notes received: 24 released",
    ]
