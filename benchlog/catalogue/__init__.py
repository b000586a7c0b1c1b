"""Reads and checks the TOML files."""
