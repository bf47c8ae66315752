"""What knobs do, asked for and learned, and what keys have done as commands.

Threads: the main loop's alone.
"""

import logging
from collections.abc import Callable, Sequence
from typing import Any, Protocol

from config.bindings import Binding
from config.targets import TARGETS
from daemon.control.requests import AskBindings, AskForget, AskKnobs, AskLearn
from daemon.ipc.messages import Gesture
from daemon.midi.channel_controls import PROGRAM_CHANGE
from daemon.midi.controllers import Controllers
from daemon.midi.midi_learn import MidiLearn, bound, unbound
from daemon.storage.learned import LearnedFile
from daemon.storage.settings_files import LoadedSettings

log = logging.getLogger(__name__)


class InForce(Protocol):
    """The keeper: where the settings in force are, and where others are put."""

    @property
    def loaded(self) -> LoadedSettings:
        """Those in force, and where each comes from."""

    def use_bindings(self, bindings: Sequence[Binding], **more: Any) -> None:
        """Put bindings in force, drafts too, and whatever other settings are given."""


class Learning:
    """Learns, lists and forgets what knobs do; tells of gestures and remembers what they chose.

    Parameters
    ----------
    controllers
        Whose knobs are moved.
    learned
        Keeps what is learned; None: nothing does.
    in_force
        The settings.
    keep
        Writes what waits to be kept.
    clock_s
        The monotonic clock.
    """

    def __init__(
        self,
        controllers: Controllers,
        learned: LearnedFile | None,
        in_force: InForce,
        keep: Callable[[], None],
        clock_s: Callable[[], float],
    ) -> None:
        self._controllers, self._learned, self._in_force = controllers, learned, in_force
        self._write, self._clock_s = keep, clock_s
        self._learn = MidiLearn()

    def answer(self, question: AskKnobs) -> dict[str, Any]:
        """Return what is asked, once it is done."""
        match question:
            case AskLearn():
                self._learn.begin(question.target, question.number, self._clock_s())
                self._controllers.channel_state.watch()
            case AskBindings():
                return {"bindings": self._plain()} | self._lasting()
            case AskForget():
                return {"forgotten": self._forget(question)} | self._lasting()
        return self._learn.plain(self._controllers.name) | self._lasting()

    def look(self) -> None:
        """Bind the knob that is meant, once it has been moved far enough; keep a chosen sound."""
        loaded, learned = self._in_force.loaded, self._learned
        if learned is not None and loaded.settings.remember != "nothing":
            programs = self._controllers.channel_state.programs()
            learned.keep_sound(programs, loaded.settings, loaded.origins)
        if self._learn.state != "waiting":
            return
        state = self._controllers.channel_state
        found = self._learn.look(state.travels(), self._clock_s())
        if found is not None:
            new = found.binding
            log.info("learned: control %s changes %s", new.control, new.words)
            self._keep(bound(self._in_force.loaded.settings.bindings, new))
        if self._learn.state != "waiting":
            state.watch(wanted=False)

    def gesture(self, done: Gesture) -> None:
        """Tell of a command that a key has given; a later player is to have the sound it chose."""
        if not done.words:
            return
        log.info("gesture: %s", done.words)
        state = self._controllers.channel_state
        state.shift(done.controller, done.octave, done.transposed, done.zones_off)
        if done.program >= 0:
            message = bytes((PROGRAM_CHANGE | done.channel, done.program))
            state.record(message, done.controller)
        elif done.words == "keep":
            self._write()

    def _keep(self, bindings: Sequence[Binding]) -> None:
        self._in_force.use_bindings(bindings)
        remembers = self._in_force.loaded.settings.remember != "nothing"
        if self._learned is not None and remembers:
            self._learned.keep_bindings(bindings)

    def _forget(self, question: AskForget) -> list[str]:
        """Forget what is bound to a target, or all that was learned; return it in words."""
        before = self._in_force.loaded.settings.bindings
        if question.target is None:
            after = self._learned.forget_bindings() if self._learned is not None else before
            gone = [each for each in before if each not in after]
            self._in_force.use_bindings(after)
        else:
            after = unbound(before, question.target, question.number)
            gone = [each for each in before if each not in after]
            if gone:
                self._keep(after)
        told = [f"control {each.control}: {each.words}" for each in gone]
        for line in told:
            log.info("forgotten: %s", line)
        return told

    def _plain(self) -> list[dict[str, Any]]:
        found = []
        for each in self._in_force.loaded.settings.bindings:
            low, high = each.ends
            row = {"control": each.control, "target": each.words, "low": low, "high": high}
            found.append(row | {"unit": TARGETS[each.target].unit})
        return found

    def _lasting(self) -> dict[str, Any]:
        """Return whether what is learned outlives the power, and which file is in its way."""
        origins = self._in_force.loaded.origins
        if self._learned is None:
            return {"kept": False, "overridden_by": ""}
        remembers = self._in_force.loaded.settings.remember != "nothing"
        kept = remembers and self._learned.lasts("bindings", origins)
        return {"kept": kept, "overridden_by": self._learned.overridden_by("bindings", origins)}
