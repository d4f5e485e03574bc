"""The plan file: read, typed, checked."""
