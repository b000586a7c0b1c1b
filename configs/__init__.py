"""TOML files that ship with benchlog: parts, benches, dialects, uses."""
