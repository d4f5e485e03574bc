"""One MSCHAPv2 proof, made once: what both PEAP and EAP-TTLS carry (RFC 2759, sections 4 to 6)."""

import hmac
import re

from probe.wire.credential import Account
from probe.wire.inner.dialogue import InnerError
from probe.wire.md4 import md4
from probe.wire.mppe import master_key, start_keys
from probe.wire.mschap import (
    authenticator_response,
    challenge_hash,
    challenge_response,
    nt_password_hash,
    user_name,
)

_FIELDS = re.compile(r"E=(\d{1,10})(?= |\Z)")
_MESSAGE = re.compile(r"(?:\A| )M=(.*)\Z", re.DOTALL)
_LONGEST = 200
"""Characters of the server's text that are quoted."""

_REASONS = {
    646: "restricted logon hours",
    647: "account disabled",
    648: "password expired",
    649: "no dial-in permission",
    691: "authentication failure",
    709: "changing the password failed",
}
"""RFC 2759, section 6."""


class Proof:
    """Our response to one challenge, and what the server then has to prove."""

    def __init__(self, account: Account, authenticator: bytes, peer: bytes) -> None:
        """Make the response. `authenticator` and `peer`: the challenges, 16 octets each."""
        hashed = nt_password_hash(account.password)
        challenge = challenge_hash(peer, authenticator, user_name(account.name))
        self._nt_response = challenge_response(challenge, hashed)
        self._expected = authenticator_response(hashed, self._nt_response, challenge)
        self._keys = start_keys(master_key(md4(hashed), self._nt_response))
        self._peer = peer

    @property
    def response(self) -> bytes:
        """The Response value: challenge, 8 zeros, NT-Response, flags (RFC 2759, section 4)."""
        return self._peer + bytes(8) + self._nt_response + b"\0"

    @property
    def key(self) -> bytes:
        """What PEAP takes for the peer's inner key: send key, then receive key, 32 octets."""
        return b"".join(self._keys)

    def check(self, message: bytes) -> None:
        """Look at a Success message. Raises InnerError if the server does not know the password."""
        said = message[: len(self._expected)]
        if not hmac.compare_digest(said, self._expected.encode("ascii")):
            raise InnerError(
                "the server's answer does not prove that it knows the password (RFC 2759, 5)"
            )


def refusal(message: bytes) -> str:
    """Return in words what a Failure message says (RFC 2759, section 6)."""
    text = message.decode("utf-8", "replace")
    code = _FIELDS.search(text)
    if code is None:
        return f"MSCHAPv2 without an error code: {text[:_LONGEST]}"
    number = int(code[1])
    said = f"MSCHAPv2 error {number}"
    if number in _REASONS:
        said += f" ({_REASONS[number]})"
    own = _MESSAGE.search(text)
    return f"{said}: {own[1][:_LONGEST]}" if own is not None and own[1] else said
