"""A sound in figures: its ranks, its partials, its noises, its envelope, in lines of text.

Units: those of the sound's file. Promise: no line of a sound of ranks is wider than 79 columns,
but for its title and what it is about.
"""

import textwrap
from collections.abc import Iterator
from math import log10

from config.rank import MAX_PARTIALS
from config.sound import Envelope, Sound
from config.toml.printable import printable
from daemon.drawing.shown_partials import partials_of
from daemon.key_names import key_name

_WIDTH = 79
_MOST_SHOWN = 24


def show_lines(name: str, sound: Sound) -> Iterator[str]:
    """Yield a sound in figures; organ stops by their footage."""
    yield f"{name}: {sound.title}"
    yield f"  {sound.about}"
    yield ""
    if sound.ranks:
        yield from _rank_lines(sound)
        return
    stops = list(sound.footage or {})
    yield "partial    ratio  level dB  phase cycles  own decay T60 at C4" + "  stop" * bool(stops)
    strongest = max(sound.levels)
    for number, (ratio, level, phase) in enumerate(
        zip(sound.ratios, sound.levels, sound.phases, strict=True)
    ):
        decay = "none" if sound.decays_s is None else f"{sound.decays_s[number]:.2f} s"
        relative = _decibels(level / strongest)
        stop = " " * 13 + stops[number] if stops else ""
        yield f"{number + 1:>7}  {ratio:>7.3f}  {relative:>8.1f}  {phase:>12.3f}  {decay:>8}{stop}"
    yield ""
    yield f"attack   {sound.envelope.attack_s:g} s"
    yield from _closing_lines(sound)


def _closing_lines(sound: Sound) -> Iterator[str]:
    envelope, velocity = sound.envelope, sound.velocity
    if sound.ranks and all(rank.decay_s for rank in sound.ranks):
        yield "decay    each partial its own, listed above for C4"
    else:
        yield f"decay    {_decay(envelope)}"
    yield f"release  {_release(sound)} s to 60 dB down"
    loud = f"velocity 1 is {velocity.range_db:g} dB quieter than 127"
    loud = loud if velocity.range_db else "velocity does not change the level"
    yield loud + (
        f", and 1 is duller by {velocity.tilt_db:g} dB per octave" if velocity.tilt_db else ""
    )
    if velocity.tilt_per_octave_db:
        more_db = velocity.tilt_per_octave_db
        yield f"         on C4, and by {more_db:g} dB more for each octave above it"
    yield f"{'level' if sound.ranks else 'trim':<8} {sound.level_db:g} dB"


def _rank_lines(sound: Sound) -> Iterator[str]:
    """Yield a sound of ranks: each rank, the partials that they make at C4, the noises."""
    yield "rank                    pitch  partials  level dB  rise s       pan"
    for rank in sound.ranks:
        pitch = rank.footage if rank.ratio is None else f"x {rank.ratio:g}"
        rise = sound.envelope.attack_s if rank.rise_s is None else rank.rise_s
        name = printable(rank.name) or "-"
        yield (
            f"{name[:22]:<22} {pitch:>6}  {rank.partials:>8}  {rank.level_db:>8.1f}  "
            f"{_span(rise):<11}  {_span(rank.pan)}"
        )
    yield ""
    partials = partials_of(sound)
    for_noise = sound.count - len(partials)
    noisy = f", {for_noise} of them for noise" if for_noise else ""
    yield f"{sound.count} of at most {MAX_PARTIALS} partials{noisy}; the strongest on C4:"
    yield "   ratio  level dB      T60    pan  rise s"
    strongest = max(partial.level for partial in partials)
    for each in sorted(sorted(partials, key=lambda each: -each.level)[:_MOST_SHOWN]):
        decay = f"{each.decay_s:.2f} s" if each.decay_s < 1e4 else "none"
        yield (
            f"{each.ratio:>8.3f}  {_decibels(each.level / strongest):>8.1f} {decay:>8}  "
            f"{each.pan:>5.2f}  {each.rise_s:.3f}"
        )
    yield ""
    for words, noise in (("onset", sound.onset_noise), ("release", sound.release_noise)):
        if noise is not None:
            low, high = noise.hz or noise.ratio or (0.0, 0.0)
            unit = "Hz" if noise.hz else "times the key"
            yield f"{words:<8} noise, {low:g} to {high:g} {unit}, {noise.level_db:g} dB"
    yield from _tuning_lines(sound)
    yield from _body_lines(sound)
    yield from _closing_lines(sound)
    if sound.effort.attack_octaves:
        longer = 2.0**sound.effort.attack_octaves
        yield f"touch    at velocity 1 the attack takes {longer:.3g} times as long as at 127"
    if sound.effort.swell_db:
        yield f"swell    10 dB down is duller by {sound.effort.swell_db:g} dB per octave"


def _body_lines(sound: Sound) -> Iterator[str]:
    bodies = [rank.formants for rank in sound.ranks if rank.formants]
    if bodies:
        resonances = sorted({round(each.hz) for body in bodies for each in body})
        told = ", ".join(map(str, resonances))
        yield from _listed("body", [f"resonances at {told} Hz"])
    most = max(len(rank.vowels) for rank in sound.ranks)
    if most:
        yield f"vowels   {most + 1}; 'partiald learn vowel' gives them to a knob"


def _tuning_lines(sound: Sound) -> Iterator[str]:
    """Yield where ranks break, how far they are out of tune, and what stands beside partials."""
    breaks, tuning, pairs = [], [], []
    for rank in sound.ranks:
        name = printable(rank.name) or "-"
        if rank.breaks:
            steps = sorted((int(key), ratio) for key, ratio in rank.breaks.items())
            told = [
                f"x {rank.pitch:g}",
                *(f"x {each:g} from {key_name(key)}" for key, each in steps),
            ]
            breaks.append(f"{name}: {', '.join(told)}")
        told = [f"{rank.voices} voices, spread by {rank.spread_cents:g} cents"] * (rank.voices > 1)
        told += _out_of_tune(rank.cents, rank.beats_hz)
        if told:
            tuning.append(f"{name}: {', '.join(told)}")
        if rank.pair:
            told = [
                *_out_of_tune(rank.pair.cents, rank.pair.beats_hz),
                f"{rank.pair.level_db:g} dB",
            ]
            told += [f"ringing {rank.pair.longer:g} times as long"] * (rank.pair.longer != 1.0)
            pairs.append(f"{name}: {', '.join(told)}")
    yield from _listed("breaks", breaks)
    yield from _listed("tuning", tuning)
    yield from _listed("pairs", pairs)


def _out_of_tune(cents: float, beats_hz: float) -> list[str]:
    said = [f"{cents:+g} cents"] if cents else []
    return said + ([f"{beats_hz:+g} beats a second at C4"] if beats_hz else [])


def _listed(word: str, told: list[str]) -> Iterator[str]:
    """Yield lines of text, wrapped, the first of them after a word."""
    for place, each in enumerate(told):
        first = f"{'' if place else word:<9}"
        yield from textwrap.wrap(each, _WIDTH, initial_indent=first, subsequent_indent=" " * 9)


def _span(ends: float | list[float]) -> str:
    return " to ".join(f"{end:g}" for end in (ends if isinstance(ends, list) else [ends]))


def _release(sound: Sound) -> str:
    """Return how long notes fade: the shortest and the longest of the ranks."""
    times = [rank.release_s or sound.envelope.release_s for rank in sound.ranks]
    times = times or [sound.envelope.release_s]
    every = [each for some in times for each in (some if isinstance(some, list) else [some])]
    return _span(min(every) if min(every) == max(every) else [min(every), max(every)])


def _decay(envelope: Envelope) -> str:
    if envelope.sustain == 1:
        return "none: the envelope stays at its peak while the key is held"
    to = f"{_decibels(envelope.sustain):.1f} dB" if envelope.sustain else "silence"
    return f"{envelope.decay_s:g} s to 60 dB down, as far as {to}"


def _decibels(level: float) -> float:
    return 20 * log10(max(level, 1e-9))
