"""A stand-in for PortAudio."""

from collections.abc import Mapping, Sequence
from typing import Any


class BoardLibrary:
    """PortAudio on a board: what it would list, and what its hardware accepts."""

    def __init__(self, *names: str, accepts: Mapping[int, tuple[int, int]] | None = None) -> None:
        self._names = names
        self._accepts = accepts or {}

    def query_hostapis(self) -> Sequence[Mapping[str, Any]]:
        return [{"name": "ALSA"}, {"name": "JACK Audio Connection Kit"}]

    def query_devices(self) -> Sequence[Mapping[str, Any]]:
        return [
            {
                "name": name.removeprefix("jack:"),
                "hostapi": int(name.startswith("jack:")),
                "max_output_channels": 0 if "microphone" in name else 2,
                "default_samplerate": 44_100.0,
                "default_low_output_latency": 0.008,
            }
            for name in self._names
        ]

    def check_output_settings(self, device: int, channels: int, samplerate: float) -> None:
        rate, count = self._accepts.get(device, (48_000, 2))
        if (samplerate, channels) != (rate, count):
            raise ValueError("Invalid sample rate")
