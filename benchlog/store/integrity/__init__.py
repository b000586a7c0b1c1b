"""Whether a database is whole: its file, its schema, its rows; what is put aside."""
