"""Settings and sounds for commands that need no daemon.

Promise: a fault in a settings file ends the command before it has done anything.
"""

from collections.abc import Mapping, Sequence
from pathlib import Path

from config.layers import DEFAULT_PATHS, load, load_file
from config.library import find, load_sounds
from config.settings import Settings
from config.sound import Sound
from config.toml.faults import ConfigError
from daemon.fault_lines import tell_fault


def prepared(
    file: Path | None, layers: Sequence[Path] = DEFAULT_PATHS, *, strict: bool = False
) -> tuple[Settings, Mapping[str, Sound]]:
    """Return the settings in force and all sounds.

    Parameters
    ----------
    file
        The file that replaces all layers; None: the layers.
    layers
        The files of the layers.
    strict
        Whether a fault in a sound file ends the command; if not, it is reported and the sound is
        left out.

    Raises
    ------
    ConfigError
        With every fault.
    """
    sounds, faults = load_sounds()
    if strict and faults:
        raise ConfigError(faults)
    for fault in faults:
        tell_fault(f"{fault}; left out")
    names = list(sounds)
    in_force = load(layers, names) if file is None else load_file(file, names)
    find(sounds, in_force.settings.sound.name)
    return in_force.settings, sounds
