"""The process that makes players, as the keeper has it: forked before there is a thread.

Units: seconds.
Threads: `ForkServer` belongs to the keeper's main thread. It must be made before any other thread
starts, since a fork copies only the thread that forks.

A player costs a fork instead of seconds of imports: numpy and the voices are in memory already,
here alone; they are imported while the keeper imports what is its own.
Every `ForkServer.start` is answered by any number of `LogLine` and `Reply`, at most one `Ready`,
and exactly one `Ended`. After that the player is gone and another may be started.
No process of it outlives the keeper, and nothing the keeper asks for waits for it.
"""

import mmap
import os
import select
import signal
import time
from collections.abc import Collection

from daemon.ipc.json_link import Link
from daemon.ipc.messages import Ended, ForPlayer, FromPlayer, Start, Stop
from daemon.ipc.shared_memory import counters_in, note_events_in
from daemon.player.fork_loop import STOP_S, ForkLoop, Life, play, serve

OPEN_S = 15.0
"""PortAudio may hang on a sound server that does not answer; this is how long it is given."""
_CLOSE_S = 2.0


class ForkServer:
    """The keeper's end.

    Parameters
    ----------
    memory
        From `shared_memory`.
    open_s
        How long a player may take until it is ready.
    keep_out
        Descriptors that neither the fork server nor a player gets: what they hold must be free
        once the keeper has gone, whatever becomes of them.
    life
        Another than a player's; for tests.
    """

    def __init__(
        self,
        memory: mmap.mmap,
        open_s: float = OPEN_S,
        keep_out: Collection[int] = (),
        life: Life = play,
    ) -> None:
        self._counters, self.note_events = counters_in(memory), note_events_in(memory)
        self._link, there = Link.pair()
        parent = os.getpid()
        self._pid = os.fork()
        if self._pid == 0:
            self._link.close()
            for each in keep_out:
                os.close(each)
            serve(ForkLoop(memory, there, open_s, life), parent)
        there.close()
        self.playing = False
        """Whether a player has been started and has not ended yet."""
        self.alive = True
        """Whether players can still be made; when not, the keeper must start again."""

    def fileno(self) -> int:
        """Return the descriptor that becomes readable when there are events."""
        return self._link.fileno()

    @property
    def sending(self) -> bool:
        """Whether something waits until the descriptor is writable; `events` sends it then."""
        return self._link.sending

    def start(self, job: Start) -> None:
        """Start a player on cleared counters.

        Raises
        ------
        RuntimeError
            While there is one.
        """
        if self.playing:
            raise RuntimeError("one player at a time")
        self._counters.clear()
        self.note_events.clear()
        self._link.send(job)
        self.playing = True

    def send(self, message: ForPlayer) -> None:
        """Give the player a message; nothing happens when there is none."""
        if self.playing:
            self._link.send(message)

    def stop(self) -> None:
        """Have the player fade out and end, at the latest by force; an `Ended` follows."""
        if self.playing:
            self._link.send(Stop())

    def events(self) -> list[FromPlayer]:
        """Return what has happened since the last call, without waiting."""
        self._link.flush()
        events = [each for each in self._link.receive() if isinstance(each, FromPlayer)]
        if not self._link.open and self.alive:
            self.alive = False
            events.append(Ended("ended", "the fork server ended", "error"))
        if any(isinstance(event, Ended) for event in events):
            self.playing = False
        return events

    def close(self) -> None:
        """End the player, with its fade, and the fork server; returns when both are gone."""
        self.alive = self.playing = False
        self._link.finish()
        until_s = time.monotonic() + STOP_S + _CLOSE_S
        while self._link.open and (left_s := until_s - time.monotonic()) > 0:
            select.select([self._link], [], [], left_s)
            self._link.receive()
        if self._link.open:
            os.kill(self._pid, signal.SIGKILL)
        self._link.close()
        os.waitpid(self._pid, 0)
