"""`python -m probe.judge.clients` writes anew what is read of the families' files."""

from probe.judge.clients.generate import FILE, written

FILE.write_text(written(), "utf-8", newline="\n")
