"""The sounds that come with partiald, one TOML file each."""
