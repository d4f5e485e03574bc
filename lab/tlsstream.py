"""One TCP connection with TLS over it, as a server of the lab has it, with what may go wrong."""

from dataclasses import dataclass

from OpenSSL import SSL

from lab import misbehave
from lab.serving import Stream

READ = 16_384
"""Octets that are read at a time: what one TLS record holds at most."""


@dataclass(frozen=True, slots=True)
class Amiss:
    """What is wrong with the handshakes of a server."""

    silent: bool = False
    """Nothing is ever said."""
    raw: bytes | None = None
    """What answers the ClientHello instead; the connection is closed then."""
    other_key: bool = False
    """The handshake is signed with another key than the certificate's (up to TLS 1.2)."""


class TlsStream(Stream):
    """Shakes hands, and hears what is said inside."""

    def __init__(self, open_streams: set[Stream], context: SSL.Context, amiss: Amiss) -> None:
        super().__init__(open_streams)
        self.tls = SSL.Connection(context, None)
        self.tls.set_accept_state()
        self._amiss = amiss
        self._shaking_hands = True

    def converse(self) -> None:
        """Hear what came inside TLS and answer it; return when all is said.

        May raise SSL.WantReadError: then it is called again when more has come.
        """
        raise NotImplementedError

    def data_received(self, data: bytes) -> None:
        if self._amiss.silent:
            return
        if self._amiss.raw is not None:
            self.transport.write(self._amiss.raw)
            self.transport.close()
            return
        self.tls.bio_write(data)
        try:
            if self._shaking_hands:
                self.tls.do_handshake()
                self._shaking_hands = False
            self.converse()
            self.tls.shutdown()
        except SSL.WantReadError:
            self._flush()
        except SSL.Error:
            # The peer said goodbye or does not like us: its right, and its own report.
            self._flush()
            self.transport.close()
        else:
            self._flush()
            self.transport.close()

    def _flush(self) -> None:
        while True:
            try:
                octets = self.tls.bio_read(READ)
            except SSL.WantReadError:
                return
            if self._amiss.other_key:
                octets = misbehave.spoiled_signature(octets)
            self.transport.write(octets)
