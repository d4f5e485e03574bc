"""What is said inside TLS by a complete login: one file a method. Sans-IO, as all of `wire`.

A dialogue is given whole messages, decrypted, and says what to send back, `b""` for nothing: then
an empty packet goes out, which lets the server go on. It never proves anything twice: who fails
once has failed, as each trial may count towards a lockout.
"""

from probe.wire.inner.dialogue import Dialogue, InnerError
from probe.wire.inner.peap import PeapDialogue
from probe.wire.inner.tls import TlsDialogue
from probe.wire.inner.ttls import MschapDialogue, PapDialogue

__all__ = [
    "Dialogue",
    "InnerError",
    "MschapDialogue",
    "PapDialogue",
    "PeapDialogue",
    "TlsDialogue",
]
