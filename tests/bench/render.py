"""How much faster than it plays a song is rendered; part of `make bench`.

The command itself, with its start and its writing: three minutes of sixteen-note chords, a new
chord every second; once of 64 partials each, all of them below Nyquist, and once with the sound
and the room that there are without any settings.
"""

import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path

import mido

MINUTES = 3
NOTES = 16
LEAST = {"flat64": 60, "market-organ": 25}
"""At least so many times faster than it plays."""


def song() -> mido.MidiFile:
    """Return the song; a chord lasts two quarters, of which there are 120 a minute."""
    track = mido.MidiTrack()
    for beat in range(MINUTES * 60):
        keys = [24 + beat % 5 + 2 * place for place in range(NOTES)]
        for key in keys:
            track.append(mido.Message("note_on", note=key, velocity=80))
        for place, key in enumerate(keys):
            track.append(mido.Message("note_off", note=key, time=0 if place else 960))
    return mido.MidiFile(tracks=[track])


def processor_s() -> float:
    """Return the processor time of all that was run so far."""
    times = os.times()
    return times.children_user + times.children_system


def faster(sound: str) -> tuple[float, float]:
    """Return how many times faster than it plays: by the clock, and by the processor's time."""
    with tempfile.TemporaryDirectory() as folder:
        source, target = Path(folder) / "song.mid", Path(folder) / "song.wav"
        settings = Path(folder) / "settings.toml"
        settings.write_text(f"polyphony = {NOTES}\n")
        song().save(source)
        command = [sys.executable, "-m", "daemon", "--settings", str(settings), "render"]
        command += [str(source), "--sound", sound, "-o", str(target), "--force"]
        told, ran = 0.0, 0.0
        for _ in range(3):
            before = processor_s()
            said = subprocess.run(command, check=True, capture_output=True, text=True).stdout
            ran = max(ran, MINUTES * 60 / (processor_s() - before))
            rate = re.search(r"(\d+) times faster", said)
            told = max(told, float(rate[1])) if rate else told
    return told, ran


def main() -> int:
    """Print how fast it was; return 1 when too slow."""
    missed = False
    for sound, least in LEAST.items():
        told, ran = faster(sound)
        missed |= ran < least
        print(
            f"\nrender of {NOTES} notes at once of {sound}, {MINUTES} minutes, best of 3: "
            f"{told:.0f} times faster than it plays by the clock, {ran:.0f} by the time it had a "
            f"processor, its start included; at least {least}: "
            f"{'reached' if ran >= least else 'MISSED'}"
        )
    return int(missed)


if __name__ == "__main__":
    sys.exit(main())
