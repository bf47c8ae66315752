"""TOML files: read strictly, checked by what sections declare, and written whole."""
