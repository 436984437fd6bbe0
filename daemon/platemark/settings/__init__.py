"""Reads the studio's TOML files and reports every mistake at once."""
