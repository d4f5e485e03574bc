"""EAP-TTLS with PAP and MSCHAPv2 (RFC 5281, 11.2.4 and 11.2.5)."""

import secrets

from probe.wire import mschap
from probe.wire.credential import Account
from probe.wire.inner import avp
from probe.wire.inner.avp import MICROSOFT, Avp
from probe.wire.inner.dialogue import InnerError
from probe.wire.inner.proof import Proof, refusal
from probe.wire.keys import Export, ttls_challenge


class PapDialogue:
    """Says name and password once. The server proves nothing but that it is what TLS says."""

    def __init__(self, account: Account) -> None:
        self.complaint: str | None = None
        self.missing: str | None = None
        self.inner_key: bytes | None = None
        self._account = account

    def begin(self) -> bytes:
        """Return both. RFC 5281, 11.2.5: zeros fill the password up to 16 octets."""
        password = self._account.password.encode()
        filled = password + bytes(-len(password) % 16 if password else 16)
        name = Avp(avp.USER_NAME, self._account.name.encode())
        return name.octets + Avp(avp.USER_PASSWORD, filled).octets

    def receive(self, octets: bytes) -> bytes:
        """Take whatever else the server says, if it may be passed over. Raises InnerError."""
        for pair in avp.parse(octets):
            _pass_over(pair)
        return b""


class MschapDialogue:
    """Answers the challenge that both ends know from TLS, and has the server's proof checked."""

    def __init__(self, account: Account, export: Export) -> None:
        self.complaint: str | None = None
        self.missing: str | None = "its proof that it knows the password (RFC 2759, 5)"
        self.inner_key: bytes | None = None
        self._account = account
        self._challenge, self._identifier = ttls_challenge(export)
        self._proof = Proof(account, self._challenge, secrets.token_bytes(mschap.CHALLENGE))

    def begin(self) -> bytes:
        """Return User-Name, MS-CHAP-Challenge and MS-CHAP2-Response (RFC 5281, 11.2.4)."""
        # RFC 2548, 2.3.2: Ident, Flags, then the Response value without its own flags.
        response = bytes((self._identifier, 0)) + self._proof.response[:-1]
        pairs = (
            Avp(avp.USER_NAME, self._account.name.encode()),
            Avp(avp.MS_CHAP_CHALLENGE, self._challenge, MICROSOFT),
            Avp(avp.MS_CHAP2_RESPONSE, response, MICROSOFT),
        )
        return b"".join(pair.octets for pair in pairs)

    def receive(self, octets: bytes) -> bytes:
        """Take Success or Error; an empty packet is the answer to either. Raises InnerError."""
        for pair in avp.parse(octets):
            if (pair.vendor, pair.code) == (MICROSOFT, avp.MS_CHAP2_SUCCESS):
                self._hear_success(pair.data)
            elif (pair.vendor, pair.code) == (MICROSOFT, avp.MS_CHAP_ERROR):
                self.complaint = refusal(pair.data[1:])
            else:
                _pass_over(pair)
        return b""

    def _hear_success(self, data: bytes) -> None:
        if data[:1] != bytes((self._identifier,)):
            raise InnerError("MS-CHAP2-Success answers another identifier")
        self._proof.check(data[1:])
        self.missing = None


def _pass_over(pair: Avp) -> None:
    """Raise InnerError for what must not be passed over (RFC 5281, 10.1)."""
    if pair.mandatory and (pair.vendor, pair.code) != (0, avp.REPLY_MESSAGE):
        which = f"{pair.vendor}/{pair.code}" if pair.vendor else str(pair.code)
        raise InnerError(f"attribute {which} of EAP-TTLS is mandatory and not known here")
