"""The running system: the only place with devices, processes, signals, sockets and logs."""
