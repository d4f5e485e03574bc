"""One TLS client over memory buffers, alike for web and EAP: it wants the served chain, no more."""

from dataclasses import dataclass

from probe.limits import Limits
from probe.observation.model import KeyFamily, Outcome, Phase, Served, TlsVersion

WEB_ALPN = ("http/1.1",)
"""What a web client offers that speaks HTTP/1.1 only (RFC 7301, section 6)."""


@dataclass(frozen=True, slots=True)
class Hello:
    """What our ClientHello says. Contexts are cached by it, so it holds nothing of one visit but
    the server name."""

    server_name: str | None = None
    """web: the server name (RFC 6066, section 3), A-labels; None or an address: none is sent."""
    versions: tuple[TlsVersion, ...] = (TlsVersion.TLS1_2, TlsVersion.TLS1_3)
    key_family: KeyFamily | None = None
    """None: certificates of every family are welcome."""
    alpn: tuple[str, ...] = ()
    """Application protocols (RFC 7301), preferred first; web: `WEB_ALPN`."""


@dataclass(frozen=True, slots=True)
class Failure:
    """Why no chain was seen, or why it could not be read."""

    outcome: Outcome
    """refused, not-tls, malformed or cut-off."""
    phase: Phase
    detail: str
    alert: str | None = None
    """IANA description of the fatal alert that came."""


class TlsClient:
    """One handshake, stopped as soon as the chain and the proof of its key are in hand."""

    done: bool
    """Nothing more is needed: the chain is in hand and the proof settled, or it failed."""
    failure: Failure | None
    phase: Phase
    served: Served | None
    """What was served. Set too where `failure` says malformed but a Certificate message came."""
    certificates: tuple[bytes, ...]
    """DER, in the order served."""

    def __init__(self, hello: Hello, limits: Limits) -> None:
        raise NotImplementedError

    def start(self) -> bytes:
        """Return the first flight, to be sent. Call once."""
        raise NotImplementedError

    def receive(self, octets: bytes) -> bytes:
        """Take what came; return what to send now (b"" for nothing). Ignored once `done`."""
        raise NotImplementedError

    def end_of_input(self) -> None:
        """Note that the peer has closed: cut off, unless everything is in hand."""
        raise NotImplementedError

    def farewell(self) -> bytes:
        """Return the alerts with which to leave, to be sent once; b"" if the server has ended it."""
        raise NotImplementedError
