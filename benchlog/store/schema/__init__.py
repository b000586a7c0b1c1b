"""What the database is made of: steps in their order, and the views of the newest."""
