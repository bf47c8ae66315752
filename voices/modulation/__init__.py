"""How values move: smoothing, ramps, vibrato."""
