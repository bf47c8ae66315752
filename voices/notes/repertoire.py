"""The repertoire: every sound that settings can choose, ready to be played.

Settings: the sound in force, those that program changes and zones choose. What the first note of a
sound would have to wait for is made here: timbres, and for the sound in force the tables of its
keys and the lines of their attacks.

Units: frames. Threads: a repertoire is made beside the audio path, and belongs to it afterwards.
"""

from collections.abc import Mapping
from functools import lru_cache
from itertools import chain

from config.settings import Settings
from config.sound import Sound
from voices.channels.tunings import preset
from voices.curves import Course
from voices.envelopes.attack_lines import AttackLines
from voices.notes.morph import Morph
from voices.synthesis.table_cache import Key, Place, computed
from voices.timbres.voicing import Shape, Voicing, voicing_of

READY_KEYS = range(36, 97)
"""C2 to C7: the keys of most controllers; the others are worked out when first struck."""


class Repertoire:
    """The sounds of some settings, for one sample rate and length of blocks.

    Parameters
    ----------
    settings
        What is chosen.
    sounds
        The sounds by name.
    before
        The repertoire in force: what it has already is used again.
    own_only
        Whether the sound in force stands for those that program changes choose.
    """

    def __init__(
        self,
        settings: Settings,
        sounds: Mapping[str, Sound],
        sample_rate: int,
        frames: int,
        *,
        mono: bool,
        before: "Repertoire | None" = None,
        own_only: bool = False,
    ) -> None:
        self.settings = settings
        self.sounds = sounds
        self._sample_rate = sample_rate
        self._mono = mono
        self._own = settings.sound.name
        self._towards = sounds.get(settings.morph)
        old: dict[str, Voicing] = before.voicings if before else {}
        # The settings' own may be another now, and so may what stands for unknown ones.
        self.voicings: dict[str, Voicing] = {
            name: each
            for name, each in old.items()
            if each.sound == sounds.get(name) and each.towards == self._goal(each.sound)
        }
        chosen = settings.sound
        others = [zone.sound for zone in settings.zones if zone.sound]
        if not own_only:
            others += chain(chosen.programs, *chosen.banks.values())
        self._at_hand = {self._own, *others} if own_only else set(sounds)
        for name in dict.fromkeys(("", *others)):
            self.voicing(name)
        keys = preset(settings.tuning, sample_rate).frequencies
        voicing = self.voicing(self._own)
        tuned = [(t, key, keys[key]) for key in READY_KEYS for t in voicing.all_timbres(key)]
        self.tables: Mapping[Key, Place] = _tables(tuple(tuned), frames)
        """The tables of the sound in force."""
        courses = chain.from_iterable(each.courses for each, _, _ in tuned)
        self.lines = _lines(tuple(dict.fromkeys(courses)), frames)
        """The lines along which its notes rise."""

    def called(self, name: str) -> str:
        """Return the name under which a sound plays: the settings' own if there is none such."""
        return name if name in self.sounds else self._own

    def voicing(self, name: str) -> Voicing:
        """Return a sound ready to play; the settings' own if it is unknown or not given."""
        known = self.voicings.get(name)
        if known is None:
            if name in self._at_hand:
                known = self._made(self.sounds[name])
            else:
                known = self.voicing(self._own)
            self.voicings[name] = known
        return known

    def _goal(self, sound: Sound) -> Sound | None:
        """Return the sound to which a knob leads one; None: to none."""
        return self._towards if sound.ranks and sound != self._towards else None

    def _made(self, sound: Sound) -> Voicing:
        goal = self._goal(sound)
        if goal is not None:
            return Morph(sound, goal, self._sample_rate, mono=self._mono)
        return voicing_of(sound, self._sample_rate, mono=self._mono)

    def shapes(self) -> dict[Shape, int]:
        """Return the banks that are needed, and how many slots of each a note has at most."""
        most: dict[Shape, int] = {}
        for voicing in self.voicings.values():
            for shape, slots in voicing.shapes.items():
                most[shape] = max(slots, most.get(shape, 0))
        return most


# Instruments of one process begin alike: the second finds what the first has worked out. More is
# not kept, for it may be as large as all else.
@lru_cache(maxsize=1)
def _tables(tuned: tuple[Key, ...], frames: int) -> Mapping[Key, Place]:
    """Return the tables of timbres on keys."""
    by_shape: dict[Shape, list[Key]] = {}
    for each in tuned:
        by_shape.setdefault(each[0].shape, []).append(each)
    made: dict[Key, Place] = {}
    for alike in by_shape.values():
        made |= computed(alike, frames)
    return made


@lru_cache(maxsize=1)
def _lines(courses: tuple[Course, ...], frames: int) -> AttackLines:
    return AttackLines(courses, frames)
