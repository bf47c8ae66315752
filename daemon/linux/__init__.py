"""The kernel, systemd and the board."""
