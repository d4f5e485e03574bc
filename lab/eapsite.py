"""What an EAP endpoint of the lab serves, and what is wrong with it: data, and TLS contexts."""

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from cryptography import x509
from OpenSSL import SSL

from lab.tls import Resumption, ServedChain, Version, server_context


class EapMethod(StrEnum):
    """Methods by their IANA names."""

    EAP_TLS = "EAP-TLS"
    EAP_TTLS = "EAP-TTLS"
    PEAP = "PEAP"
    TEAP = "TEAP"


class Proposal(StrEnum):
    """Methods that a server may propose, and that nobody agrees to here."""

    EAP_FAST = "EAP-FAST"
    MD5_CHALLENGE = "MD5-Challenge"


class EapFault(StrEnum):
    """What is wrong with an EAP endpoint. `closed` is no server at all: `cluster.py` sees to it,
    and `radiusserver.py` to what concerns whole datagrams."""

    CLOSED = "closed"
    """The port is closed."""
    SILENT = "silent"
    """Nothing is answered, as to a RADIUS client that the server does not know."""
    DROPS = "drops"
    """Status-Server is answered and no Access-Request."""
    OTHER_SECRET = "other-secret"
    """Every reply is made with another secret."""
    GARBAGE = "garbage"
    """Octets of no protocol answer every request."""
    REJECTS = "rejects"
    """The identity is rejected before any method is proposed."""
    ALERT = "alert"
    """A fatal handshake_failure alert answers the ClientHello."""
    REJECTS_HELLO = "rejects-hello"
    """The ClientHello is answered by Access-Reject without a word."""
    CUT_OFF = "cut-off"
    """Nothing is said any more after the ClientHello."""
    NOT_TLS = "not-tls"
    """Octets that are not TLS answer the ClientHello, in a good EAP packet."""
    OTHER_KEY = "other-key"
    """The handshake is signed with another key than the certificate's (up to TLS 1.2)."""
    MALFORMED = "malformed"
    """The end of the certificate's validity is no time, so that libraries refuse to parse it."""

    # Servers that have lost their way, or mean harm (`unruly.py`).
    RADIUS_LENGTH = "radius-length"
    """The Length of each reply is longer than what comes."""
    OVERRUN = "overrun"
    """The last attribute of each reply runs beyond its end."""
    OVERSIZE = "oversize"
    """Each reply is longer than RADIUS allows, and else in order."""
    OTHER_IDENTIFIER = "other-identifier"
    """Each reply has the Identifier of another request."""
    REPLAY = "replay"
    """Each request is answered by the reply to the very first one."""
    FLOOD = "flood"
    """Hundreds of datagrams of no protocol answer each request."""
    EAP_LENGTH = "eap-length"
    """The EAP Length is longer than what comes."""
    SAME_IDENTIFIER = "same-identifier"
    """The EAP Identifier never changes."""
    ENDLESS_FRAGMENTS = "endless-fragments"
    """Certificates come in fragments that never end."""
    EMPTY_FRAGMENTS = "empty-fragments"
    """Fragments without data say that more will come, for ever."""
    ALTERNATING = "alternating"
    """Fragments say in turn that more will come and that none will."""
    RESTARTS = "restarts"
    """The method begins again after each packet."""
    OTHER_METHOD = "other-method"
    """Another method comes in the midst of one."""
    BROKEN_HELLO = "broken-hello"
    """A ServerHello that makes no sense answers the ClientHello."""
    NAKS = "naks"
    """Requests of type Nak come for ever."""
    PROPOSALS = "proposals"
    """Each Nak is answered by a method that nobody asked for."""
    IDENTITIES = "identities"
    """The identity is asked for again for ever."""
    NOTIFICATIONS = "notifications"
    """Notifications come for ever."""


@dataclass(frozen=True, slots=True)
class EapSite:
    """What an EAP endpoint serves."""

    chains: tuple[ServedChain, ...]
    methods: tuple[EapMethod, ...]
    """Methods that it agrees to; it proposes the first."""
    fragment_size: int = 1024
    """Octets of TLS data in one EAP packet."""
    versions: tuple[Version, ...] = (Version.TLS1_2, Version.TLS1_3)
    fault: EapFault | None = None
    heeds_mtu: bool = True
    """Whether a smaller Framed-MTU of the request counts instead."""
    proposes: tuple[Proposal, ...] = ()
    """What it proposes before it comes to its methods."""
    peap_version: int = 0
    """The PEAP version that it offers."""
    by_method: Mapping[EapMethod, tuple[ServedChain, ...]] = field(default_factory=dict)
    """Other chains in single methods."""
    by_visit: Mapping[str, tuple[ServedChain, ...]] = field(default_factory=dict)
    """Other chains for single request contexts: "ATTRIBUTE=VALUE", where the attribute's text ends
    in the value."""
    in_turn: tuple[ServedChain, ...] = ()
    """Served to every other conversation of the same method and hello."""
    client_authorities: tuple[x509.Certificate, ...] = ()
    """CAs that CertificateRequest names."""
    resumption: frozenset[Resumption] = frozenset()


class Contexts:
    """The TLS contexts of one endpoint, and which of them a conversation gets."""

    def __init__(self, site: EapSite) -> None:
        self._site = site
        self._plain = self._context(site.chains)
        self._in_turn = self._context(site.in_turn) if site.in_turn else None
        self._by_method = {
            method: self._context(chains) for method, chains in site.by_method.items()
        }
        self._by_visit = {
            tuple(visit.split("=", 1)): self._context(chains)
            for visit, chains in site.by_visit.items()
        }
        self._hellos: Counter[tuple[EapMethod, int]] = Counter()

    def choose(
        self, method: EapMethod, attributes: Iterable[tuple[str, str]], hello: bytes
    ) -> SSL.Context:
        """Return the context for a conversation, by what its requests say."""
        if self._in_turn is not None:
            # Hellos that ask the same are of one length; one for another key family is not.
            said = method, len(hello)
            self._hellos[said] += 1
            if self._hellos[said] % 2 == 0:
                return self._in_turn
        for (name, ending), context in self._by_visit.items():
            if any(each == name and text.endswith(ending) for each, text in attributes):
                return context
        return self._by_method.get(method, self._plain)

    def _context(self, chains: tuple[ServedChain, ...]) -> SSL.Context:
        context = server_context(chains, self._site.versions, self._site.resumption)
        for authority in self._site.client_authorities:
            context.add_client_ca(authority)
        return context
