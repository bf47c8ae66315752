"""Two virtual radios in one board, paired: partiald's own, and one that stands for a speaker.

Runs as root in a board of `build-radio`, whose kernel takes radios from a program
(btvirt, which gives them these addresses). What
is played to the speaker is kept as it arrives, after the codec and the radio.
"""

import array
import subprocess
import threading
from pathlib import Path

from tests.boot.box import told, wait

OURS, SPEAKER = "00:AA:01:00:00:00", "00:AA:01:01:00:01"
NAME = "Market Box"
_DEVICE = "/org/bluez/{}/dev_{}"
_POLICY = """<busconfig><policy user="root">
<allow own="org.bluealsa.speaker"/><allow send_destination="org.bluealsa.speaker"/>
</policy></busconfig>
"""
_ONLY_OURS = "[Service]\nExecStart=\nExecStart=/usr/bin/bluealsa -S -i hci0 -p a2dp-source\n"


class Radios:
    """Both radios, and what the speaker hears."""

    def __init__(self) -> None:
        told("modprobe", "-a", "hci_vhci")
        Path("/etc/dbus-1/system.d/speaker.conf").write_text(_POLICY)
        drop_in = Path("/etc/systemd/system/bluealsa.service.d/board.conf")
        drop_in.parent.mkdir(exist_ok=True)
        drop_in.write_text(_ONLY_OURS)
        told("systemctl", "daemon-reload")
        told("systemctl", "reload", "dbus")
        self._started = [subprocess.Popen(["btvirt", "-l2"], stdout=subprocess.DEVNULL)]
        wait("two radios", lambda: Path("/sys/class/bluetooth/hci1").exists())
        told("systemctl", "start", "bluetooth")
        told("systemctl", "restart", "bluealsa")
        speaker = ["bluealsa", "-B", "speaker", "-i", "hci1", "-p", "a2dp-sink"]
        self._started.append(subprocess.Popen(speaker, stderr=subprocess.DEVNULL))
        self._shell = subprocess.Popen(
            ["bluetoothctl", "--agent", "NoInputNoOutput"],
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            text=True,
        )
        wait("the radios in Bluetooth", lambda: self._ask("/org/bluez/hci1", "Powered"))

    def pair(self) -> None:
        """Do what an owner does, at both ends."""
        self._say(f"select {SPEAKER}", "power on")
        wait("the speaker on", lambda: self._ask("/org/bluez/hci1", "Powered") == "b true")
        self._say(f"system-alias '{NAME}'", "pairable on", "discoverable on")
        wait("it can be seen", lambda: self._ask("/org/bluez/hci1", "Discoverable") == "b true")
        self._say(f"select {OURS}", "power on")
        wait("our radio on", lambda: self._ask("/org/bluez/hci0", "Powered") == "b true")
        self._say("scan bredr")
        speaker = _DEVICE.format("hci0", SPEAKER.replace(":", "_"))
        board = _DEVICE.format("hci1", OURS.replace(":", "_"))
        wait("the speaker seen", lambda: NAME in self._ask(speaker, "Alias"), 60.0)
        self._say("scan off", f"pair {SPEAKER}")
        wait("both paired", lambda: self._ask(speaker, "Paired") == "b true", 60.0)
        self._say(f"trust {SPEAKER}", f"select {SPEAKER}", f"trust {OURS}", f"select {OURS}")
        wait("each trusts the other", lambda: self._ask(board, "Trusted") == "b true")
        self.connect()

    def connect(self) -> None:
        """Connect with the speaker, until the bridge has it at both ends."""
        self._say(f"connect {SPEAKER}")
        wait("the bridge to the speaker", lambda: self.heard_by("bluealsa"), 60.0)
        wait("the speaker's end of it", lambda: self.heard_by("bluealsa.speaker"), 60.0)

    def switch(self, on: bool) -> None:
        """Switch the speaker off or on."""
        self._say(f"select {SPEAKER}", f"power {'on' if on else 'off'}", f"select {OURS}")
        power = f"b {str(on).lower()}"
        wait(f"the speaker's {power}", lambda: self._ask("/org/bluez/hci1", "Powered") == power)

    def heard_by(self, bridge: str) -> str:
        """Return the stream at one end; empty: none."""
        suffix = bridge.partition(".")[2]
        which = ["-B", suffix] if suffix else []
        done = subprocess.run(
            ["bluealsa-cli", *which, "list-pcms"], capture_output=True, text=True, check=False
        )
        return done.stdout.strip().partition("\n")[0]

    def _say(self, *lines: str) -> None:
        assert self._shell.stdin is not None
        for line in lines:
            self._shell.stdin.write(line + "\n")
        self._shell.stdin.flush()

    def _ask(self, path: str, name: str) -> str:
        kind = "Device1" if "/dev_" in path else "Adapter1"
        command = ["busctl", "get-property", "org.bluez", path, f"org.bluez.{kind}", name]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        return done.stdout.strip()


class Ear:
    """What the speaker hears from now on, at the board's time."""

    def __init__(self, radios: Radios) -> None:
        stream = radios.heard_by("bluealsa.speaker")
        told_of = told("bluealsa-cli", "-B", "speaker", "info", stream)
        figures = dict(line.split(": ", 1) for line in told_of.splitlines() if ": " in line)
        self.rate = int((figures.get("Rate") or figures["Sampling"]).split()[0])
        self.channels = int(figures["Channels"])
        self.raw = bytearray()
        command = ["bluealsa-cli", "-B", "speaker", "open", stream]
        self._process = subprocess.Popen(command, stdout=subprocess.PIPE)
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        assert self._process.stdout is not None
        while part := self._process.stdout.read(4096):
            self.raw += part

    @property
    def ended(self) -> bool:
        """Whether the speaker is gone."""
        return self._process.poll() is not None

    @property
    def frames(self) -> int:
        """How much has been heard."""
        return len(self.raw) // (2 * self.channels)

    def left(self, begin: int, end: int) -> list[float]:
        """Return the left channel between two frames, 1.0 at full scale."""
        samples = array.array("h")
        samples.frombytes(bytes(self.raw[2 * self.channels * begin : 2 * self.channels * end]))
        return [each / 32_768 for each in samples[:: self.channels]]
