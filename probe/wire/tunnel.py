"""What happens inside a TLS-based EAP method: fragments both ways, and a TLS client behind them."""

from probe.limits import Limits
from probe.observation.model import Method
from probe.wire import eap
from probe.wire.fragments import Assembler, Fragment, Fragmenter, FragmentError
from probe.wire.tls import TlsClient

METHODS = {
    Method.PEAP: (0, 1),
    Method.EAP_TTLS: (0,),
    Method.TEAP: (1,),
    Method.EAP_TLS: (0,),
}
"""The methods spoken here, with the versions of each. 0 and 1 of PEAP are in use; TTLS has 0 only
(RFC 5281, 9.2), TEAP 1 only (RFC 9930, 3.1). EAP-TLS has none: its bits are reserved and sent as 0
(RFC 5216, 3.1)."""


def read_fragment(method: Method, data: bytes) -> Fragment:
    """Read what follows the Type octet in a packet of this method. Raises FragmentError."""
    return Fragment.parse(data, outer_tlvs=method is Method.TEAP)


class Tunnel:
    """One agreed method: takes the server's fragments, says what to answer."""

    def __init__(
        self,
        method: Method,
        version: int,
        tls: TlsClient,
        size: int,
        limits: Limits,
    ) -> None:
        self.method = method
        self.number = eap.method_number(method)
        self.version = version
        """The one that we answer with, and the server then has to keep to."""
        self.received: list[int] = []
        """Octets of TLS data in each fragment that came."""
        self.tls = tls
        self._size = size
        self._ours = Fragmenter(b"", size)
        self._theirs = Assembler(limits.eap_message_bytes)
        self._waiting = b""
        self._parting: bytes | None = None

    def start(self) -> Fragment:
        """Return the first fragment of the ClientHello. Call once."""
        return self._say(self.tls.start())

    def receive(self, fragment: Fragment) -> Fragment | None:
        """Take a fragment of the server's; return the answer, or None: the TLS client is done.

        Raises FragmentError where the server breaks the order of RFC 5216, 2.1.5.
        """
        if fragment.start:
            raise FragmentError("a second Start")
        if self._ours.pending:
            if not fragment.acknowledges:
                raise FragmentError("data where our fragment was to be acknowledged")
            return self._ours.take()
        if fragment.acknowledges:
            raise FragmentError("an empty request where TLS data are due")
        self.received.append(len(fragment.data))
        whole = self._theirs.add(fragment)
        self._waiting += self._hear(fragment.data, whole=whole is not None)
        if self.tls.done:
            return None
        if whole is None or not self._waiting:
            # An acknowledgement; also where one flight comes as several TLS messages.
            return Fragment(version=self.version)
        message, self._waiting = self._waiting, b""
        return self._say(message)

    def _hear(self, data: bytes, *, whole: bool) -> bytes:  # noqa: ARG002  # for who needs it
        """Hand over what came; return what is to be said. `whole`: it ends a TLS message."""
        return self.tls.receive(data)

    def farewell(self) -> Fragment:
        """Return the TLS client's parting alerts, in one fragment whatever its size (14 octets)."""
        if self._parting is None:
            self._parting = self.tls.farewell()
        return Fragment(self._parting, version=self.version)

    def packet(self, identifier: int, fragment: Fragment) -> bytes:
        """Return the EAP response that carries a fragment."""
        return eap.EapPacket(eap.Code.RESPONSE, identifier, self.number, fragment.octets).octets

    def _say(self, message: bytes) -> Fragment:
        self._ours = Fragmenter(message, self._size, version=self.version)
        return self._ours.take()
