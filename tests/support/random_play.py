"""Random play: messages of chosen kinds on random frames of three channels.

Units: seconds, frames. The same seed gives the same play.
"""

from random import Random

from tests.support.playing import RATE, Event, bend, control, off, on, program

EVENTS_PER_S = 24
SOUNDS = ("market-organ", "plucked-string", "flat64", "bowed-string", "tower-bell", "sine")
"""What its program changes choose from."""


def random_play(seed: int, seconds: float, *kinds: str) -> list[Event]:
    """Return random messages of these kinds on random frames of three channels."""
    chance = Random(seed)
    frames = round(seconds * RATE)
    events: list[Event] = []
    # Wide enough a bend to hear any mistake in it.
    for channel in range(3):
        events += [control(0, 101, 0, channel), control(0, 100, 0, channel)]
        events += [control(0, 6, chance.choice((2, 12)), channel)]
    for _ in range(round(EVENTS_PER_S * seconds)):
        frame, channel = chance.randrange(frames), chance.randrange(3)
        match chance.choice(kinds):
            case "note":
                key = chance.randrange(36, 97)
                velocity = chance.randrange(1, 128)
                until = frame + chance.choice((1, 50, 2_000, 20_000, 60_000))
                events += [on(frame, key, velocity, channel), off(until, key, channel)]
            case "bend":
                events += [
                    bend(frame + 300 * step, chance.randrange(-8192, 8192), channel)
                    for step in range(chance.randrange(1, 10))
                ]
            case "vibrato":
                events.append(control(frame, 1, chance.randrange(128), channel))
            case "volume":
                events.append(control(frame, chance.choice((7, 11)), chance.randrange(99), channel))
            case "pan":
                events.append(control(frame, 10, chance.randrange(128), channel))
            case "pedal":
                events += [control(frame, 64, 127, channel), control(frame + 9_000, 64, 0, channel)]
            case "program":
                events.append(program(frame, chance.randrange(len(SOUNDS)), channel))
            case "knob":
                events.append(
                    control(frame, chance.choice((72, 74)), chance.randrange(128), channel)
                )
            case "mode":
                events.append(control(frame, chance.choice((120, 121, 123)), 0, channel))
    return events
