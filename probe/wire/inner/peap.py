"""PEAP: EAP-MSCHAPv2 inside TLS, version 0 ([MS-PEAP] 3.1.5.6) and 1.

Version 0 leaves the header of inner packets away, but for those of TLVs, and ends by TLVs that say
the result. Version 1 sends inner packets whole, and ends by an inner Success or Failure.
"""

from collections.abc import Callable

from probe.wire import eap
from probe.wire.credential import Account
from probe.wire.eap import Code, EapError, EapPacket, Type, method_name
from probe.wire.inner import tlv
from probe.wire.inner.dialogue import InnerError
from probe.wire.inner.eapmschap import EapMschap
from probe.wire.keys import compound_keys

_WHOLE = (tlv.TYPE, Type.EXPANDED)
"""Types whose packets come whole in version 0 too ([MS-PEAP] 3.1.5.6: TLVs, capabilities and
statements of health; the latter two are Expanded)."""


class PeapDialogue:
    """Answers what the server asks inside TLS; it begins."""

    def __init__(self, account: Account, *, version: int, material: Callable[[int], bytes]) -> None:
        """`material`: Key_Material of TLS, of so many octets."""
        self.inner_key: bytes | None = None
        self._account = account
        self._version = version
        self._material = material
        self._method = EapMschap(account)
        self._failed: str | None = None
        self._ended = False
        """Whether the server has said inside that it is over."""

    @property
    def complaint(self) -> str | None:
        """Why the server did not take the credential."""
        return self._method.complaint or self._failed

    @property
    def missing(self) -> str | None:
        """What the server owes before it may accept."""
        if not self._method.proven:
            return "its proof that it knows the password (RFC 2759, 5)"
        return None if self._ended else "its result inside TLS"

    def begin(self) -> bytes:
        """Return nothing: the server asks first."""
        return b""

    def receive(self, octets: bytes) -> bytes:
        """Take an inner packet; return the response. Raises InnerError."""
        packet = self._read(octets)
        if packet.code is not Code.REQUEST or packet.type is None:
            return self._result(packet)
        response = self._answer(packet.type, packet)
        whole = self._version > 0 or packet.type in _WHOLE
        return response.octets if whole else response.octets[4:]

    def _read(self, octets: bytes) -> EapPacket:
        try:
            if self._version > 0 or _is_whole(octets):
                return EapPacket.parse(octets)
        except EapError as error:
            raise InnerError(f"inside PEAP: {error}") from None
        # The Identifier is the outer one then; nothing of ours repeats it.
        return EapPacket(Code.REQUEST, 0, octets[0], octets[1:])

    def _answer(self, kind: int, packet: EapPacket) -> EapPacket:
        if kind == Type.IDENTITY:
            return eap.identity(packet.identifier, self._account.name)
        if kind == Type.EAP_MSCHAPV2:
            data = self._method.receive(packet.data)
        elif kind == tlv.TYPE and self._version == 0:
            data = self._end(packet.data)
        elif kind == Type.NOTIFICATION:
            data = b""
        elif kind == Type.NAK:
            raise InnerError("inside PEAP: a Request of type Nak")
        elif self._method.proven:
            raise InnerError(f"inside PEAP: {method_name(kind)} after MSCHAPv2")
        else:
            self._failed = f"inside PEAP it proposes {method_name(kind)}"
            return eap.nak(packet.identifier, (Type.EAP_MSCHAPV2,))
        return EapPacket(Code.RESPONSE, packet.identifier, kind, data)

    def _end(self, data: bytes) -> bytes:
        """Answer the result: success only if both sides mean it ([MS-PEAP] 3.2.5.4.7)."""
        results = tlv.parse(data)
        self._ended = True
        if not results.success or not self._method.proven:
            self._failed = self._failed or "the result inside TLS is a failure"
            return tlv.result(success=False)
        self._failed = None
        if results.binding is None:
            return tlv.result(success=True)
        _, key = compound_keys(self._material(128), self._method.key)
        if not tlv.is_bound(results.binding, key):
            self._failed = self._unbound(results.binding)
            return tlv.result(success=False)
        self.inner_key = self._method.key
        return tlv.result(success=True) + tlv.bind(results.binding, key)

    def _unbound(self, binding: bytes) -> str:
        """Say why the cryptobinding does not hold."""
        _, key = compound_keys(self._material(64), self._method.key)
        if tlv.is_bound(binding, key):
            # hostapd 2.10 under TLS 1.3 (measured).
            return (
                "the cryptobinding does not hold: the server takes its tunnel key from 64 octets"
                " of key material, and RFC 9427, 2.1 has 128"
            )
        return "the cryptobinding does not hold: who ends TLS may not be who knows the password"

    def _result(self, packet: EapPacket) -> bytes:
        """Take an inner Success or Failure; an empty packet answers it."""
        if packet.code is Code.FAILURE:
            self._failed = self._failed or "EAP-Failure inside TLS"
        elif packet.code is not Code.SUCCESS:
            raise InnerError(f"inside PEAP: EAP {packet.code.name.title()}")
        elif not self._method.proven:
            raise InnerError("EAP-Success inside TLS before anything was proven")
        else:
            self._failed = None
        self._ended = True
        return b""


def _is_whole(octets: bytes) -> bool:
    """Whether a packet of version 0 has a header: one of a type that has it always, or an end."""
    if len(octets) < 4 or int.from_bytes(octets[2:4]) != len(octets):
        return False
    if len(octets) == 4:
        return octets[0] in (Code.SUCCESS, Code.FAILURE)
    return octets[0] in (Code.REQUEST, Code.RESPONSE) and octets[4] in _WHOLE
