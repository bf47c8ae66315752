"""Sounds that are being shaped: heard at once, kept when asked to, and forgotten.

Units: microseconds of the monotonic clock (``_us``).
Threads: the main loop's alone, but for the writes that it requests.

A draft stands in for the sound of its name until it is kept or taken back. Nothing else knows of
it, so that it goes with the daemon unless it is kept.
"""

import logging
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import Any, Protocol

from config.bindings import Binding
from config.library import shipped
from config.shaped_sound import Moves, shaped
from config.sound import Sound
from config.toml.faults import ConfigError, parse_toml, validate
from config.toml.wording import counted
from daemon.control.requests import AskForgetAll, AskKeep, AskShape, AskShaping, AskSound
from daemon.diagnosis.rate_limit import Repeats
from daemon.ipc.messages import Gesture
from daemon.midi.controllers import Controllers
from daemon.midi.played_sounds import PlayedSounds
from daemon.storage.deferred_writes import DeferredWrites
from daemon.storage.kept_sounds import KeptSounds
from daemon.storage.learned import LearnedFile
from daemon.storage.settings_files import LoadedSettings

log = logging.getLogger(__name__)

QUIET_US = 10_000_000
"""So long nothing is played and nothing shaped before what was shaped is kept unasked."""
_REMEDY = "to keep it, choose it again, then 'partiald sounds keep NAME' or a key that means keep"


class InForce(Protocol):
    """The keeper: settings and sounds in force."""

    @property
    def loaded(self) -> LoadedSettings:
        """Those in force, and where each comes from."""

    def use_bindings(self, bindings: Sequence[Binding], **more: Any) -> None:
        """Put bindings in force, drafts too, and whatever other settings are given."""


class Shaping:
    """Drafts, and sounds kept from them.

    Parameters
    ----------
    in_force
        The settings and sounds.
    controllers
        Whose knobs have shaped the sound as well.
    kept, writes, learned
        Where kept sounds are written, when, and what else is forgotten; no ``learned``: nothing.
    playing, clock_us
        Whether there is a player, and the monotonic clock.
    """

    def __init__(
        self,
        in_force: InForce,
        controllers: Controllers,
        kept: KeptSounds,
        writes: DeferredWrites,
        learned: LearnedFile | None,
        playing: Callable[[], bool],
        clock_us: Callable[[], int],
    ) -> None:
        self._playing, self._clock_us = playing, clock_us
        self._in_force, self._controllers = in_force, controllers
        self._kept, self._writes, self._learned = kept, writes, learned
        self._played = PlayedSounds(lambda: in_force.loaded.settings, controllers.channel_state)
        self._drafts: dict[str, Sound] = {}
        self._asked: list[Callable[[Moves], object]] = []
        """What waits for the player to tell what knobs have made of the sound."""
        self._heard: list[str] = []
        """The sounds that keys played a moment ago."""
        self._repeats = Repeats(log)
        self._moved_us: int | None = None
        self._note_ons = 0

    def over(self, sounds: Mapping[str, Sound]) -> Mapping[str, Sound]:
        """Return sounds with the drafts in their places."""
        return {**sounds, **self._drafts} if self._drafts else sounds

    def answer(self, question: AskShaping, now_us: int) -> dict[str, Any]:
        """Return what is asked, once it is done."""
        try:
            match question:
                case AskSound():
                    return self._tell(question.name or self._played.current)
                case AskShape():
                    return self._shape(question, now_us)
                case AskKeep():
                    return self._keep(question)
        except ConfigError as error:
            return {"faults": error.faults}
        return self._forget(question)

    def tick(self, note_ons: int, sounding: int, now_us: int) -> None:
        """Keep what was shaped unasked after a rest, if the settings say so."""
        settings, knobs = self._in_force.loaded.settings, self._controllers.turned
        self._repeats.tick(now_us)
        before, self._heard = self._heard, self._played.names
        if before != self._heard and settings.remember != "nothing":
            self._tell_left(before, now_us)
        if knobs.look(settings.bindings) or (knobs.any and self._moved_us is None):
            self._moved_us = now_us
        if note_ons != self._note_ons or sounding:
            self._note_ons = note_ons
            self._moved_us = now_us if self._moved_us is not None else None
        if self._moved_us is None or now_us - self._moved_us < QUIET_US:
            return
        self._moved_us = None
        if settings.remember == "shaping" and knobs.any and self._playing():
            knobs.any = False
            self._ask(self._keep_unasked)
        else:
            self._keep_drafts()

    def _ask(self, then: Callable[[Moves], object]) -> None:
        """Have the player tell what knobs have made of the sound, and then something done."""
        self._asked.append(then)
        self._controllers.ask_moves(self._clock_us())

    def _keep_unasked(self, moves: Moves) -> None:
        """Keep what knobs have made of the sound, if all channels agree on one; and drafts."""
        if moves and self._played.agreed:
            self._keep_shaped({each: each for each in self._played.names}, moves)
        self._keep_drafts()

    def _tell_left(self, before: Sequence[str], now_us: int) -> None:
        """Tell what was shaped and is not kept, now that other sounds are played."""
        left, knobs = [each for each in before if each not in self._heard], self._controllers.turned
        if self._in_force.loaded.settings.remember != "shaping":
            for name in set(left) & self._drafts.keys():
                text = f"'{name}' is left as shaped, not kept, until partiald stops; {_REMEDY}"
                self._repeats.log(logging.INFO, text, now_us)
        if left and knobs.any and self._playing():
            knobs.any = False
            names = [" and ".join(map(repr, each)) for each in (left, self._heard)]
            text = f"{names[0]} as knobs shaped it is not kept, and they shape {names[1]} now"
            self._ask(partial(self._tell_if, f"{text}; {_REMEDY}"))

    def _tell_if(self, text: str, moves: Moves) -> None:
        if moves:
            self._repeats.log(logging.INFO, text, self._clock_us())

    def _keep_drafts(self) -> None:
        if self._in_force.loaded.settings.remember == "shaping":
            drafts = {n: each for n, each in self._drafts.items() if not self._kept.may_write(n)}
            self._write({name: _plain(each) for name, each in drafts.items()})

    def close(self) -> None:
        """Keep drafts before the daemon goes, if the settings say so; else tell which are lost."""
        self._keep_drafts()
        for name in self._drafts:
            log.warning("the sound '%s' as shaped was not kept, and is gone", name)
        self._drafts.clear()
        self._repeats.flush(self._clock_us())
        self._writes.flush()

    def _sounds(self) -> Mapping[str, Sound]:
        return {**shipped(), **self._in_force.loaded.sounds}

    def _tell(self, name: str) -> dict[str, Any]:
        """Return a sound as it is in its file, and as it is heard."""
        there = self._sounds()
        if name not in there and name not in self._drafts:
            return {"faults": [f"no sound '{name}'"]}
        heard = self._drafts.get(name) or there[name]
        plain = _plain(heard)
        kept = _plain(there[name]) if name in there else plain
        return {"name": name, "table": plain, "kept": kept}

    def _shape(self, question: AskShape, now_us: int) -> dict[str, Any]:
        name = question.name
        if question.table is None:
            self._drafts.pop(name, None)
        else:
            if name not in self._sounds():
                return {"faults": [f"no sound '{name}'; keep it first"]}
            self._drafts[name] = validate(Sound, question.table, name)
        self._moved_us = now_us if self._drafts else None
        settings, more = self._in_force.loaded.settings, {}
        if question.room_db is not None:
            more["room"] = settings.room.model_copy(update={"level_db": question.room_db})
        self._in_force.use_bindings(settings.bindings, **more)
        return {"name": name, "shaped": name in self._drafts}

    def _keep(self, question: AskKeep) -> dict[str, Any]:
        """Have a sound written under a name: the text given, or what is heard now."""
        name, base = question.name, self._played.base
        if why := self._kept.may_write(name):
            return {"faults": [why]}
        if question.text:
            table = parse_toml(question.text, name)
            validate(Sound, table, name)
            self._write({name: table}, question.text)
        elif self._playing():
            self._ask(lambda moves: self._keep_shaped({name: self._played.base}, moves))
        else:
            self._keep_shaped({name: base}, {})
        return {"name": name, "of": base, "path": str(self._kept.path(name))}

    def gestured(self, done: Gesture) -> str:
        """Do what a gesture asks for, or take what was asked of the player; return a cue."""
        moves = {(target, number): value for target, number, value in done.moves}
        if not done.words:
            asked, self._asked = self._asked, []
            for then in asked:
                then(moves)
        if done.words == "keep":
            played = [each for each in self._played.names if moves or each in self._drafts]
            if played and self._in_force.loaded.settings.remember == "nothing":
                log.warning('%s: is not kept: remember = "nothing"', ", ".join(played))
                return "refused"
            return self._keep_shaped({each: each for each in played}, moves)
        if done.words == "forget":
            self._forget(AskForgetAll(ask="forget_all"))
            return "forgotten"
        return "gesture"

    def _keep_shaped(self, names: Mapping[str, str], moves: Moves) -> str:
        """Have sounds written as knobs have made them, by name and what each is made from.

        Return a cue.
        """
        there, tables = self.over(self._sounds()), {}
        for name, base in names.items():
            try:
                tables[name] = shaped(there[base], moves)
                validate(Sound, tables[name], name)
            except ConfigError as error:
                log.warning("the sound '%s' is not kept: %s", name, error.faults[0])
                return "refused"
            if why := self._kept.may_write(name):
                log.warning("the sound '%s' is not kept: %s", name, why)
                return "refused"
            if name == base and name not in self._drafts and tables[name] == _plain(there[name]):
                del tables[name]  # no knob has made anything else of it
        self._write(tables)
        self._controllers.turned.take(self._in_force.loaded.settings.bindings)
        if any(names[name] == name for name in tables):
            self._rest()  # once the files are read, the sounds have what the knobs add to them now
        return "gesture"

    def _rest(self) -> None:
        """Have the knobs at rest with the next settings."""
        self._controllers.rest(self._in_force.loaded.settings.bindings, self._clock_us())

    def _write(self, tables: Mapping[str, Mapping[str, Any]], text: str = "") -> None:
        """Have sounds' files written at once, and together: that is one edit, and so it is read."""
        writes = [self._kept.write(name, table, text) for name, table in tables.items()]

        def write() -> None:
            for each in writes:
                each()

        for name in tables:
            self._drafts.pop(name, None)
            log.info("kept: the sound '%s'", name)
        if tables:
            words = ", ".join(f"'{name}'" for name in tables)
            self._writes.request(f"the sound {words}", lambda: write)
            self._writes.hurry()

    def _forget(self, question: AskForgetAll) -> dict[str, Any]:
        """Return what would be as it was installed, and unless it is a look, have it so."""
        told = [
            f"the sound '{name}', kept in {self._kept.path(name)}" for name in self._kept.names()
        ]
        told += [f"the sound '{name}' as shaped and not kept" for name in self._drafts]
        if self._learned is not None:
            told += self._learned.told()
        if question.dry_run:
            return {"forgotten": told, "done": False}
        self._rest()
        if told:
            self._drafts.clear()
            self._writes.request("what is forgotten", self._kept.remove)
            if self._learned is not None:
                self._learned.forget_all(self._played.current)
            self._writes.hurry()
            log.info("forgotten: %s", counted(len(told), "thing"))
        self._in_force.use_bindings(self._in_force.loaded.settings.bindings)
        return {"forgotten": told, "done": bool(told)}


def _plain(sound: Sound) -> dict[str, Any]:
    """Return a sound as its file says it."""
    return sound.model_dump(exclude_unset=True)
