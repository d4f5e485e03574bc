"""The judge: pure opinion on what was seen. No socket, no file, no clock."""
