"""Protocols without sockets: bytes in, bytes and facts out."""
