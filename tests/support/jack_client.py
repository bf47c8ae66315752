"""A client of the JACK server with two inputs, as another sound card: `jack_client.py NAME`."""

import ctypes
import signal
import sys

AUDIO = b"32 bit float mono audio"
IS_INPUT = 1
NEVER_START_A_SERVER = 1


def main(name: str) -> None:
    """Stay with the server until ended."""
    library = ctypes.CDLL("libjack.so.0")
    library.jack_client_open.restype = ctypes.c_void_p
    client = ctypes.c_void_p(library.jack_client_open(name.encode(), NEVER_START_A_SERVER, None))
    for port in (b"in_1", b"in_2"):
        library.jack_port_register(client, port, AUDIO, ctypes.c_ulong(IS_INPUT), ctypes.c_ulong(0))
    library.jack_activate(client)
    signal.pause()


if __name__ == "__main__":
    main(sys.argv[1])
