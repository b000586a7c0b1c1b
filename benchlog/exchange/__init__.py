"""Files out and in: export, import, datasets."""
