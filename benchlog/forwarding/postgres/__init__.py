"""A central database in PostgreSQL: its schema, and the way of rows into it."""
