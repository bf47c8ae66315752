"""How soon the daemon plays, beside the import of the libraries it needs; part of `make bench`.

The daemon as it is installed, on a JACK server with a dummy driver, from the start of its process
to the line that says it is ready, which is written after the player's first block. Each is run in
turn, so that whatever else the machine does is spread over both.
"""

import os
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from statistics import median

from tests.support.jack_server import JackServer, own_name

TIMES = 11
MOST = 1.5
LIBRARIES = "import mido, rtmidi, numpy, sounddevice, pydantic"


def import_s() -> float:
    """Return how long a process takes that only imports the libraries."""
    begun = time.monotonic()
    subprocess.run([sys.executable, "-c", LIBRARIES], check=True)
    return time.monotonic() - begun


def start_s(settings: Path) -> float:
    """Return how long the daemon takes to its first block."""
    command = [sys.executable, "-m", "daemon", "--settings", str(settings), "run"]
    begun = time.monotonic()
    daemon = subprocess.Popen(command, stderr=subprocess.PIPE, text=True)
    assert daemon.stderr is not None
    said = []
    for line in daemon.stderr:
        said.append(line)
        if " ready: " in line:
            break
    took = time.monotonic() - begun
    daemon.send_signal(signal.SIGTERM)
    daemon.communicate()
    if " ready: " not in said[-1]:
        raise SystemExit("the daemon did not start:\n" + "".join(said))
    return took


def main(server: str) -> int:
    """Print the medians and their ratio; return 1 when it is too large."""
    with tempfile.TemporaryDirectory() as folder:
        os.environ["JACK_DEFAULT_SERVER"] = server
        os.environ["RUNTIME_DIRECTORY"] = folder  # the machine's own daemon keeps its lock
        # Bytecode for both, wherever this was called from, and none left in the checkout.
        os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
        os.environ["PYTHONPYCACHEPREFIX"] = str(Path(folder) / "bytecode")
        settings = Path(folder) / "settings.toml"
        settings.write_text("")
        jack = JackServer(server, Path(os.devnull))
        jack.start()
        try:
            import_s(), start_s(settings)
            pairs = [(import_s(), start_s(settings)) for _ in range(TIMES)]
        finally:
            jack.stop()
    imports, starts = (sorted(times) for times in zip(*pairs, strict=True))
    ratio = median(starts) / median(imports)
    print(
        f"start to the player's first block, medians of {TIMES}: {median(starts):.3f} s "
        f"({starts[0]:.3f} to {starts[-1]:.3f}); a process that only imports the five libraries "
        f"{median(imports):.3f} s ({imports[0]:.3f} to {imports[-1]:.3f}): {ratio:.2f} times, "
        f"at most {MOST}: {'reached' if ratio <= MOST else 'MISSED'}"
    )
    return int(ratio > MOST)


if __name__ == "__main__":
    with own_name() as name:
        sys.exit(main(name))
