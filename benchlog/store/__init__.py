"""The SQLite file: schema steps, one way in, one way out."""
