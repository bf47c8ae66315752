"""Sounds that are being shaped: heard at once, kept when asked to, and forgotten.

Units: microseconds of the monotonic clock (``_us``).
Threads: the main loop's alone, but for the writes that it requests.

A draft stands in for the sound of its name until it is taken back or the card has it. Nothing else
knows of it, so that it goes with the daemon unless it is kept.
"""

import logging
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import Any

from config.library import shipped
from config.settings import Settings
from config.shaped_sound import Moves, shaped
from config.sound import Sound
from config.toml.faults import ConfigError, parse_toml, validate
from config.toml.wording import counted
from daemon.control.requests import AskForgetAll, AskKeep, AskShape, AskShaping, AskSound
from daemon.diagnosis.rate_limit import Repeats
from daemon.ipc.messages import Gesture
from daemon.keeper.learning import InForce
from daemon.midi.controllers import Controllers
from daemon.midi.played_sounds import REMEDY, PlayedSounds, left_words
from daemon.storage.deferred_writes import DeferredWrites
from daemon.storage.kept_sounds import KeptSounds
from daemon.storage.learned import LearnedFile
from daemon.storage.owed_sounds import OwedSounds

log = logging.getLogger(__name__)

QUIET_US = 10_000_000
"""So long nothing is played and nothing shaped before what was shaped is kept unasked."""


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
        self._owed = OwedSounds(kept, writes, clock_us, self._put_in_force)
        self._settings: Callable[[], Settings] = lambda: in_force.loaded.settings
        self._played = PlayedSounds(self._settings, controllers.channel_state)
        self.pages: set[int] = set()  # clients that shape a sound, and will say if it is to be kept
        self._drafts: dict[str, Sound] = {}
        self._asked: list[Callable[[Moves], object]] = []
        """What waits for the player to tell what knobs have made of the sound."""
        self._heard: list[str] = []
        """The sounds that keys played a moment ago ..."""
        self._agreed = True
        """... and whether all channels agreed on them."""
        self._repeats = Repeats(log)
        self._moved_us: int | None = None
        self._note_ons = 0

    def over(self, sounds: Mapping[str, Sound]) -> Mapping[str, Sound]:
        """Return sounds with the drafts in their places."""
        return {**sounds, **self._owed.sounds, **self._drafts}

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
        settings, knobs = self._settings(), self._controllers.turned
        self._repeats.tick(now_us)
        self._owed.tick(now_us)
        turned = knobs.look(settings.bindings)
        before, self._heard = self._heard, self._played.names
        if before != self._heard and settings.remember != "nothing":
            self._leave([each for each in before if each not in self._heard], now_us)
        self._agreed = self._played.agreed
        if turned or (knobs.any and self._moved_us is None):
            self._moved_us = now_us
        if note_ons != self._note_ons or sounding:
            self._note_ons = note_ons
            self._moved_us = now_us if self._moved_us is not None else None
        if self._moved_us is None or now_us - self._moved_us < QUIET_US:
            return
        self._moved_us = None
        if not self._ask_unasked():
            self._keep_drafts()

    def left(self, client: int) -> None:
        """Have what a client has left shaped be kept after a rest."""
        if client in self.pages:
            self.pages.remove(client)
            self._moved_us = self._clock_us()

    def last_words(self) -> bool:
        """Return whether the player still has to say what is to be kept, before it ends."""
        self._controllers.turned.look(self._settings().bindings)
        return self._ask_unasked() or bool(self._asked)

    def _ask_unasked(self) -> bool:
        """Have what knobs have made of the sound kept, if that is to be; return whether it is."""
        knobs, played = self._controllers.turned, self._played
        if self._settings().remember != "shaping" or not (knobs.any and self._playing()):
            return False
        names = played.names if played.agreed else []  # by the answer, controllers may be gone
        self._ask(partial(self._keep_unasked, names))
        return True

    def _ask(self, then: Callable[[Moves], object]) -> None:
        """Have the player tell what knobs have made of the sound, and then something done."""
        self._controllers.turned.any = False
        self._asked.append(then)
        self._controllers.ask_moves(self._clock_us())

    def _keep_unasked(self, names: Sequence[str], moves: Moves) -> None:
        """Keep what knobs have made of sounds, and drafts."""
        if moves and names:
            self._keep_shaped({each: each for each in names}, moves)
        self._keep_drafts()

    def _leave(self, left: Sequence[str], now_us: int) -> None:
        """Keep what knobs have shaped, or tell what is not kept, now that others are played."""
        keeps = self._settings().remember == "shaping"
        for name in () if keeps else set(left) & self._drafts.keys():
            text = f"'{name}' is left as shaped, not kept, until partiald stops; {REMEDY}"
            self._repeats.log(logging.INFO, text, now_us)
        if left and self._controllers.turned.any and self._playing():
            tell = partial(self._tell_if, left_words(left, self._heard))
            self._ask(partial(self._keep_unasked, left) if keeps and self._agreed else tell)

    def _tell_if(self, text: str, moves: Moves) -> None:
        if moves:
            self._repeats.log(logging.INFO, text, self._clock_us())

    def _keep_drafts(self) -> None:
        if self._settings().remember == "shaping" and self._drafts and not self.pages:
            self._write(dict(self._drafts))

    def close(self, at_most_s: float | None = None) -> None:
        """Write what is to be kept, within so many seconds; tell what goes with the daemon."""
        self.pages.clear()
        self._keep_drafts()
        self._owed.owe({})
        self._repeats.flush(self._clock_us())
        self._writes.flush(at_most_s)
        for name in self.over({}):
            log.warning("the sound '%s' as shaped was not kept, and is gone", name)
        self._drafts.clear()
        self._owed.forget()

    def _put_in_force(self) -> None:
        self._in_force.use_bindings(self._settings().bindings)

    def _sounds(self) -> Mapping[str, Sound]:
        return {**shipped(), **self._in_force.loaded.sounds, **self._owed.sounds}

    def _tell(self, name: str) -> dict[str, Any]:
        """Return a sound as it is in its file, and as it is heard."""
        heard = self.over(there := self._sounds())
        if name not in heard:
            return {"faults": [f"no sound '{name}'"]}
        kept, pending = there.get(name, heard[name]), bool(self._asked) or name in self._owed.sounds
        plain = {"table": _plain(heard[name]), "kept": _plain(kept)}
        return {"name": name, **plain, "pending": pending}

    def _shape(self, question: AskShape, now_us: int) -> dict[str, Any]:
        name = question.name
        if question.table is None:
            self._drafts.pop(name, None)
        else:
            if name not in self._sounds():
                return {"faults": [f"no sound '{name}'; keep it first"]}
            self._drafts[name] = validate(Sound, question.table, name)
        self._moved_us = now_us if self._drafts else None
        settings, more = self._settings(), {}
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
            sound = validate(Sound, parse_toml(question.text, name), name)
            self._write({name: sound}, question.text)
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
            played = [each for each in self._played.names if moves or each in self.over({})]
            if played and self._settings().remember == "nothing":
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
        there, sounds, cue = self.over(self._sounds()), {}, "gesture"
        for name, base in names.items():
            try:
                sounds[name] = validate(Sound, shaped(there[base], moves), name)
            except ConfigError as error:
                log.warning("the sound '%s' is not kept: %s", name, error.faults[0])
                return "refused"
            if name == base and name not in self._drafts and sounds[name] == there[name]:
                del sounds[name]  # no knob has made anything else of it
            elif self._kept.may_write(name):
                cue = "refused"  # it is owed, and told why
        self._write(sounds)
        self._controllers.turned.take(self._settings().bindings)
        if any(names[name] == name for name in sounds):
            self._rest(as_told=True)  # the next settings' sounds have what the knobs add now
        return cue

    def _rest(self, *, as_told: bool) -> None:
        """Have the knobs at rest with the next settings."""
        self._controllers.rest(self._settings().bindings, self._clock_us(), as_told=as_told)

    def _write(self, sounds: Mapping[str, Sound], text: str = "") -> None:
        """Have sounds written at once, and whatever else is owed to the card."""
        for name in sounds:
            self._drafts.pop(name, None)
        self._owed.owe(sounds, text)

    def _forget(self, question: AskForgetAll) -> dict[str, Any]:
        """Return what would be as it was installed, and unless it is a look, have it so."""
        kept = self._kept
        told = [f"the sound '{name}', kept in {kept.path(name)}" for name in kept.names()]
        told += [f"the sound '{name}' as shaped and not kept" for name in self.over({})]
        if self._learned is not None:
            told += self._learned.told()
        if question.dry_run:
            return {"forgotten": told, "done": False}
        self._rest(as_told=False)
        if told:
            self._drafts.clear()
            self._owed.forget()
            self._writes.request("what is forgotten", self._kept.remove)
            if self._learned is not None:
                self._learned.forget_all(self._played.current)
            self._writes.hurry()
            log.info("forgotten: %s", counted(len(told), "thing"))
        self._put_in_force()
        return {"forgotten": told, "done": bool(told)}


def _plain(sound: Sound) -> dict[str, Any]:
    """Return a sound as its file says it."""
    return sound.model_dump(exclude_unset=True)
