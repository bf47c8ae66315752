"""Notifications to systemd: ready, status, reload, stop, and the watchdog's pings.

Units: seconds (``_s``), microseconds of the monotonic clock (``_us``).
Source: sd_notify(3) and sd_watchdog_enabled(3) of systemd 252.
Threads: the main loop's alone.

Promise: without NOTIFY_SOCKET every call does nothing, and a fault of the socket raises nothing.
What a slow manager has no room for is sent by a later call, of each kind the latest.
"""

import os
import socket
from collections.abc import Mapping


class SystemdNotifier:
    """Sends datagrams to the service manager.

    Parameters
    ----------
    environment
        NOTIFY_SOCKET, WATCHDOG_USEC and WATCHDOG_PID are read from it.
    pid
        Our own, to know whether the watchdog is meant for us.
    """

    def __init__(self, environment: Mapping[str, str] = os.environ, pid: int | None = None) -> None:
        address = environment.get("NOTIFY_SOCKET", "")
        self._address = "\0" + address[1:] if address.startswith("@") else address
        self._socket: socket.socket | None = None
        if self._address.startswith(("/", "\0")):
            self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC)
            # The manager may be slow to read; the main loop does not wait for it.
            self._socket.setblocking(False)
        self.watchdog_s = _watchdog_s(environment, os.getpid() if pid is None else pid)
        """How often a ping is due, half of the manager's limit; None: no watchdog."""
        self._status = ""
        self._unsent: list[str] = []

    def ready(self) -> None:
        """Report that start-up, or a reload, is done."""
        self._send("READY=1")

    def status(self, text: str) -> None:
        """Report a line for `systemctl status`; the same line is not sent again."""
        text = " ".join(text.split())
        if text != self._status:
            self._status = text
            self._send(f"STATUS={text}")
        self._flush()

    def reloading(self, now_us: int) -> None:
        """Report that a reload begins; `ready` ends it."""
        self._send(f"RELOADING=1\nMONOTONIC_USEC={now_us}")

    def stopping(self) -> None:
        """Report that we are about to exit."""
        self._send("STOPPING=1")

    def watchdog(self) -> None:
        """Report that the work goes on."""
        if self.watchdog_s is not None and self._flush():
            self._send("WATCHDOG=1")

    def close(self) -> None:
        """Close the socket; later calls do nothing."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def _send(self, text: str) -> None:
        kind = text.partition("=")[0] + "="
        self._unsent = [each for each in self._unsent if not each.startswith(kind)]
        self._unsent.append(text)
        self._flush()

    def _flush(self) -> bool:
        """Send what was not sent yet, in order; False: the manager has no room for it now."""
        while self._socket is not None and self._unsent:
            try:
                self._socket.sendto(self._unsent[0].encode(), self._address)
            except BlockingIOError:
                return False
            except OSError:
                pass  # nobody is there to hear it
            del self._unsent[0]
        self._unsent.clear()
        return True


def _watchdog_s(environment: Mapping[str, str], pid: int) -> float | None:
    if environment.get("WATCHDOG_PID", str(pid)) != str(pid):
        return None
    try:
        microseconds = int(environment.get("WATCHDOG_USEC", "0"))
    except ValueError:
        return None
    return microseconds / 2e6 if microseconds > 0 else None
