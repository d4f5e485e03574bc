"""EAP-TLS: nothing is said inside, but one octet by the server under TLS 1.3."""

from probe.wire.inner.dialogue import InnerError


class TlsDialogue:
    """RFC 9190, 2.5: the octet 0 is the protected sign that the server has nothing more to say."""

    def __init__(self, *, tls13: bool) -> None:
        self.complaint: str | None = None
        self.inner_key: bytes | None = None
        self.missing = "its protected success indication (RFC 9190, 2.5)" if tls13 else None

    def begin(self) -> bytes:
        """Return nothing: the handshake has said it all."""
        return b""

    def receive(self, octets: bytes) -> bytes:
        """Take the octet. Raises InnerError for anything else."""
        if self.missing is None or octets != b"\0":
            raise InnerError(f"{len(octets)} octets of application data in EAP-TLS")
        self.missing = None
        return b""
