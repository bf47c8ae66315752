"""Phases to samples: tables of powers, trajectories, chirps; pure arithmetic."""
