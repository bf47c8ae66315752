"""The kernel, systemd and the board underneath."""
