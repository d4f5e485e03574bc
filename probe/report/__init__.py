"""An assessment in, text out. Nothing is computed here."""
