"""Looks at a cluster of network-access servers as its clients do."""
