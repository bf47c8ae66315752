"""TOML files: read strictly, their faults in plain words, and written whole."""
