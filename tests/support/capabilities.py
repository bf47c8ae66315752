"""What a machine may forbid: probed once, without our code.

`@pytest.mark.needs("namespaces")` says that a test cannot be run without. Where the probe finds it
forbidden the test is not run, and the report names and counts it; where it is there the test runs
like any other. A probe that fails in any other way ends the whole run.
"""

import os
import subprocess
import sys
from functools import cache

PROBES = {
    # Mounts that nobody else sees: a container and a chroot forbid them.
    "namespaces": ["unshare", "--map-root-user", "--mount", "mount", "-t", "tmpfs", "none", "/tmp"],
    # From 3.13 on only Debian's own Python has it.
    "rtmidi": [sys.executable, "-c", "import rtmidi"],
}
FORBIDDEN = (
    "Operation not permitted",
    "Permission denied",
    "No space left on device",
    "No module named 'rtmidi'",
)


@cache
def allowed(name: str) -> bool:
    """Whether this machine allows it."""
    in_english = os.environ | {"LC_ALL": "C"}
    done = subprocess.run(PROBES[name], env=in_english, capture_output=True, text=True, check=False)
    if done.returncode and not any(words in done.stderr for words in FORBIDDEN):
        raise RuntimeError(f"the probe of {name} failed: {done.stderr}")
    return done.returncode == 0
