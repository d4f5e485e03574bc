"""EAP-MSCHAPv2 ([MS-CHAP] 2.2): MSCHAPv2's packets as the data of EAP type 26."""

import secrets

from probe.wire import mschap
from probe.wire.credential import Account
from probe.wire.inner.dialogue import InnerError
from probe.wire.inner.proof import Proof, refusal

_CHALLENGE, _RESPONSE, _SUCCESS, _FAILURE = 1, 2, 3, 4


class EapMschap:
    """Answers one challenge. A second one is an error: nothing is proven twice."""

    def __init__(self, account: Account) -> None:
        self.complaint: str | None = None
        self.proven = False
        """Whether the server has proven that it knows the password."""
        self._account = account
        self._proof: Proof | None = None

    @property
    def key(self) -> bytes:
        """Key material of the method, by the peer's view; b"" before its time."""
        return self._proof.key if self._proof is not None and self.proven else b""

    def receive(self, data: bytes) -> bytes:
        """Take what follows the Type octet of a request; return the same of the response.

        Raises InnerError.
        """
        if len(data) < 4 or int.from_bytes(data[2:4]) != len(data):
            raise InnerError("an MSCHAPv2 packet whose length does not add up")
        code, identifier, message = data[0], data[1], data[4:]
        if code == _CHALLENGE:
            return self._respond(identifier, message)
        if self._proof is None or self.proven or self.complaint is not None:
            raise InnerError(f"an MSCHAPv2 packet of code {code} out of turn")
        if code == _SUCCESS:
            self._proof.check(message)
            self.proven = True
        elif code == _FAILURE:
            # Whether a retry is allowed (R=1) does not matter: there is none.
            self.complaint = refusal(message)
        else:
            raise InnerError(f"an MSCHAPv2 packet of code {code}")
        # [MS-CHAP] 2.2: the code alone acknowledges either.
        return bytes((code,))

    def _respond(self, identifier: int, message: bytes) -> bytes:
        if self._proof is not None:
            raise InnerError("a second MSCHAPv2 challenge")
        if message[:1] != bytes((mschap.CHALLENGE,)) or len(message) <= mschap.CHALLENGE:
            raise InnerError("an MSCHAPv2 challenge that has not 16 octets")
        peer = secrets.token_bytes(mschap.CHALLENGE)
        self._proof = Proof(self._account, message[1 : 1 + mschap.CHALLENGE], peer)
        value = self._proof.response
        body = bytes((len(value),)) + value + self._account.name.encode()
        return bytes((_RESPONSE, identifier)) + (4 + len(body)).to_bytes(2) + body
