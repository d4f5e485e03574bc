"""The report for a person at a terminal."""
