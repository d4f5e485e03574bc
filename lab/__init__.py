"""A cluster on loopback that can be broken on purpose: for tests and for a first try."""
