"""What earlier runs saw, kept in one SQLite file."""
