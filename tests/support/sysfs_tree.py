"""A folder that stands for /sys: files of a board's sensors, batteries and processor clocks."""

from pathlib import Path


def put(root: Path, **files: object) -> None:
    """Write files; two underscores in a name stand for a folder."""
    for name, value in files.items():
        path = root / "class" / name.replace("__", "/")
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(f"{value}\n")


def put_clock(root: Path, now: int, allowed: int, full: int, governor: str) -> None:
    policy = root / "devices/system/cpu/cpufreq/policy0"
    policy.mkdir(parents=True, exist_ok=True)
    for name, value in {
        "scaling_cur_freq": now,
        "scaling_max_freq": allowed,
        "cpuinfo_max_freq": full,
        "scaling_governor": governor,
    }.items():
        (policy / name).write_text(f"{value}\n")
