"""Asks the network what the agenda wants to know. No rule is known here."""
