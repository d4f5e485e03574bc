"""Data files: one kind of client each, with the source of every rule."""
