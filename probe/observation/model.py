"""What was asked and what was seen: plain, frozen, serialisable facts. No opinion lives here.

Everything in this file can be encoded and decoded by msgspec as it stands, and holds no secret.
Text that came off the wire is kept unaltered (it is escaped where it is shown).
"""

import hashlib
from datetime import UTC, datetime
from enum import StrEnum
from functools import lru_cache
from typing import Any, Self

from probe.records import dataclass, field, replace

LATEST = datetime(9000, 1, 1, tzinfo=UTC)
"""A later moment is no time to look or to judge at: windows of days are added to it, and the
calendar of the program ends with the year 9999."""


class Token(StrEnum):
    """A closed set of words that keeps a word of a later version instead of failing on it."""

    @classmethod
    def _missing_(cls, value: object) -> Self | None:
        if not isinstance(value, str):
            return None
        member: Any = str.__new__(cls, value)
        member._name_ = value
        member._value_ = value
        return member  # type: ignore[no-any-return]  # an unlisted member cannot be spelled in types


class Endpoint(Token):
    """What a node answers on."""

    DNS = "dns"
    WEB = "web"
    EAP = "eap"
    RADSEC = "radsec"
    CLUSTER = "cluster"
    BUNDLE = "bundle"


class KeyFamily(Token):
    """The kind of key in a certificate; a server may hold a certificate of each."""

    RSA = "rsa"
    ECDSA = "ecdsa"
    OTHER = "other"


class TlsVersion(Token):
    """A TLS protocol version, named as OpenSSL and the contract name it."""

    TLS1_0 = "TLSv1"
    TLS1_1 = "TLSv1.1"
    TLS1_2 = "TLSv1.2"
    TLS1_3 = "TLSv1.3"


class Method(Token):
    """An EAP method by its IANA name."""

    EAP_TLS = "EAP-TLS"
    EAP_TTLS = "EAP-TTLS"
    PEAP = "PEAP"
    TEAP = "TEAP"


class Aspect(Token):
    """What a further question about an endpoint is after, beside the one that a client asks.

    To refuse such a hello is no fault: hardly any server holds every kind of certificate, and none
    ought to speak every version.
    """

    FAMILY = "family"
    """The certificate of one key family, under the versions that the hello offers."""
    OLD_VERSION = "old-version"
    """One TLS version that is no longer to be used (RFC 8996)."""
    NO_NAME = "no-name"
    """The certificate without a server name. A visit by address says the same hello, as no address
    is permitted in the server name extension (RFC 6066, 3)."""
    OTHER_NAME = "other-name"
    """The certificate for a name that nobody planned, under `.invalid` (RFC 6761, 6.4)."""
    AGAIN = "again"
    """The same once more: whether one address gives one answer."""
    CANARY = "canary"
    """A name outside the plan, from where guests are: whether somebody answers in its place."""
    LED = "led"
    """web: an address that DNS gives for the name and the plan does not: where clients are led."""
    UNSIGNED = "unsigned"
    """eap: a request without Message-Authenticator (RFC 3579, 3.2): whether it is answered."""
    INSIDE = "inside"
    """radsec: what is said inside TLS to a peer that shows the plan's certificate."""
    LOGIN = "login"
    """eap: one complete login with the plan's test account or certificate."""


class Outcome(Token):
    """How one visit of an endpoint ended."""

    SERVED = "served"
    """A certificate chain was seen."""
    REFUSED = "refused"
    """The peer said no in words: a fatal TLS alert, or a reject after the TLS exchange began."""
    CLOSED = "closed"
    """The port is closed (TCP reset, ICMP port unreachable)."""
    UNREACHABLE = "unreachable"
    """There is no way to the address from here, or no address is known."""
    SILENT = "silent"
    """Nothing at all came back."""
    NOT_TLS = "not-tls"
    """Something answered that is not TLS."""
    REJECTED = "rejected"
    """Access-Reject before TLS began."""
    METHOD_REFUSED = "method-refused"
    """None of the methods asked for was agreed."""
    SECRET_DIFFERS = "secret-differs"  # noqa: S105  # an outcome's name, no secret
    """A RADIUS reply whose authenticators do not verify."""
    MALFORMED = "malformed"
    """What came back breaks the protocol."""
    CUT_OFF = "cut-off"
    """The exchange began and then ended without a word."""
    NOT_ASKED = "not-asked"
    """Nothing was sent: this machine's TLS library cannot say what was to be asked, or a login was
    not approved of."""


class LookupOutcome(Token):
    """How one DNS question ended."""

    ANSWERED = "answered"
    NO_NAME = "no-name"
    NO_DATA = "no-data"
    FAILED = "failed"
    INVALID = "invalid"
    REFUSED = "refused"
    SILENT = "silent"
    LAME = "lame"
    ALIAS_BROKEN = "alias-broken"
    MALFORMED = "malformed"


class Phase(Token):
    """How far an exchange got."""

    CONNECT = "connect"
    IDENTITY = "identity"
    METHOD = "method"
    HELLO = "hello"
    CERTIFICATE = "certificate"
    PROOF = "proof"
    FINISH = "finish"


# ---------------------------------------------------------------- questions


@dataclass(frozen=True, slots=True)
class LookupAsk:
    """A DNS question: which name and type, of which resolver."""

    name: str
    """A-labels, lower case, no final dot. In a question the first label may be "*": in the record
    stands the label that was drawn for it. A question for PTR records may have a host's name: its
    records have the reverse names of the addresses that this resolver gives for it."""
    type: str
    resolver: str
    """As the plan writes it: "system", or an address, "ADDRESS:PORT"."""
    view: str | None = None


@dataclass(frozen=True, slots=True)
class HandshakeAsk:
    """A TLS or EAP visit: where, and what our hello says."""

    address: str | None
    """None in a question: every address that the node's name resolves to. Never None in a record,
    unless no address was found."""
    port: int
    name: str | None = None
    """web: the name that a client would open here; eap: None."""
    server_name: str | None = None
    """web: the server name in the hello (None for a visit by address)."""
    tls: tuple[TlsVersion, ...] = (TlsVersion.TLS1_2, TlsVersion.TLS1_3)
    key_family: KeyFamily | None = None
    """None: every family is offered and the server chooses."""
    methods: tuple[Method, ...] = ()
    """eap: the methods this conversation agrees to, preferred first."""
    visit: str | None = None
    """eap: the name of the plan's request context; None is the plan's own."""
    aspect: Aspect | None = None
    """What a further question is after; None: the visit as a client makes it."""
    head: bool = False
    """web: one `HEAD /` follows over the same connection."""
    turn: int = 0
    """eap, aspect "again": which user, calling station and source port of a small fixed set."""
    until_request: bool = False
    """eap: what an EAP-TLS server sends is read on for its CertificateRequest."""


@dataclass(frozen=True, slots=True)
class Question:
    """One thing to ask. Exactly one of `lookup` and `handshake` is set."""

    id: str
    """Stable for the same plan: endpoint, place and what is asked, in words."""
    endpoint: Endpoint
    nodes: tuple[str, ...]
    """The nodes this speaks of: one, or all that stand behind a service name or address."""
    service: str | None = None
    """The service name of the plan, where one is asked for."""
    lookup: LookupAsk | None = None
    handshake: HandshakeAsk | None = None


# ---------------------------------------------------------------- records


@dataclass(frozen=True, slots=True)
class Lookup:
    """What one resolver said to one question.

    A question for PTR records may have several: after each reverse name come the addresses of what
    it names, where `asked` has another name and type than the question.
    """

    question: str
    asked: LookupAsk
    at: datetime
    seconds: float
    outcome: LookupOutcome
    detail: str | None = None
    aliases: tuple[str, ...] = ()
    """Each alias target met on the way, in order."""
    data: tuple[str, ...] = ()
    """Records in presentation form (RFC 1035, 5.1), sorted; addresses in RFC 5952 form, names in
    lower case without a final dot, TLSA with its digits in one piece."""
    ttl: int | None = None
    """The shortest lifetime on the way to the answer, in seconds."""
    dnssec: str | None = None
    """What the resolver says of DNSSEC: "secure" if it validated the data, or that there are none
    (AD; RFC 4035, 3.2.3); "bogus" with the outcome `invalid`; else None."""
    vantage: str | None = None


@dataclass(frozen=True, slots=True)
class Served:
    """What a TLS server showed."""

    chain: tuple[str, ...]
    """SHA-256 of each certificate in the order served; the certificates stand in the survey."""
    tls: TlsVersion | None = None
    cipher: str | None = None
    group: str | None = None
    signature_scheme: str | None = None
    """IANA name of the scheme in ServerKeyExchange or CertificateVerify, where it could be seen."""
    key_family: KeyFamily | None = None
    """Of the leaf."""
    key_proven: bool | None = None
    """True: the server signed this handshake with the leaf's key. False: its signature is wrong.
    None: not seen."""
    key_detail: str | None = None
    """Why `key_proven` is not True."""
    staple: bytes | None = None
    """The OCSP response that came with the certificate (RFC 6066, 8), as sent."""
    timestamps: bytes | None = None
    """The SignedCertificateTimestampList of the TLS extension (RFC 6962, 3.3.1), as sent."""


@dataclass(frozen=True, slots=True)
class HttpSeen:
    """What one `HEAD /` over the same connection showed; no redirect is followed."""

    status: int | None = None
    date: datetime | None = None
    """The server's own clock (Date, RFC 9110, 6.6.1)."""
    strict_transport: str | None = None
    """The value of Strict-Transport-Security (RFC 6797, 6.1), as sent."""


@dataclass(frozen=True, slots=True)
class EapSeen:
    """What an EAP server showed."""

    method: Method | None = None
    """The method that was agreed."""
    proposed: tuple[str, ...] = ()
    """Methods that the server proposed, in order; IANA names, or "type 99"."""
    peap_version: int | None = None
    fragments: tuple[int, ...] = ()
    """Octets of TLS data in each fragment that the server sent."""
    client_authorities: tuple[str, ...] | None = None
    """The CA names in CertificateRequest (RFC 5246, 7.4.4; RFC 9846, 4.2.4), as RFC 4514 writes
    them, in the order sent; empty: it names none; None: no CertificateRequest was seen."""
    resumption: tuple[str, ...] = ()
    """What a TLS 1.2 ServerHello says of resumption: "session-id" (RFC 5246, 7.4.1.3), "ticket"
    (RFC 5077, 3.2)."""


@dataclass(frozen=True, slots=True)
class RadiusSeen:
    """What the RADIUS replies showed."""

    reply: str | None = None
    """The last reply's kind: "Access-Challenge", "Access-Reject", "Access-Accept", or "code 99"."""
    message_authenticator: bool | None = None
    """Whether every reply with EAP carried a valid one (RFC 3579, 3.1); None: there was none."""
    attributes: tuple[tuple[str, str], ...] = ()
    """Of the last reply, by name, without State, EAP-Message and authenticators."""
    sent: tuple[tuple[str, str], ...] = ()
    """Attributes of our first request, by name, in the order sent, without secrets."""
    transmissions: int = 0
    """Datagrams sent in the whole conversation, retransmissions counted."""
    authenticator_first: bool | None = None
    """Whether the Message-Authenticator was the first attribute of every reply; None: none came."""
    largest_reply: int | None = None
    """Octets of the longest datagram that came."""


class TrialKind(Token):
    """What was tried after a visit of a RADIUS server had failed, to narrow down why."""

    STATUS_SERVER = "status-server"
    """Status-Server (RFC 5997): whether the server knows us and runs."""
    UNCONNECTED = "unconnected"
    """The same request from a socket that takes replies from any address."""
    SMALLER_REPLIES = "smaller-replies"
    """The same conversation with a small Framed-MTU, so that no reply is large."""
    LARGE_REQUEST = "large-request"
    """A request that has to be fragmented or fills a datagram: whether it gets there."""
    WIDER_OFFER = "wider-offer"
    """A hello that offers every version and key family, and suites and groups besides."""


@dataclass(frozen=True, slots=True)
class Trial:
    """One further try within a visit that had failed, and how it ended."""

    kind: TrialKind
    outcome: Outcome
    """`served` for what came back as it should: the chain, or any valid reply that shows that the
    datagrams get through."""
    detail: str | None = None
    """In words; may hold text off the wire."""
    replied_from: str | None = None
    """The address that the reply came from, where it is another one than was asked."""
    seconds: float = 0.0


@dataclass(frozen=True, slots=True)
class RadsecSeen:
    """What a RadSec server showed beside its chain (RFC 6614)."""

    certificate_asked: bool | None = None
    """Whether it demanded a certificate of its peer; None: not seen."""
    client_authorities: tuple[str, ...] | None = None
    """The CA names in CertificateRequest, as for EAP-TLS."""
    alpn: str | None = None
    """The protocol that it chose (RFC 9765, 3.3); None: none."""
    status_reply: str | None = None
    """What answered Status-Server inside TLS (RFC 5997), by kind; None: nothing, or not asked."""
    eap_outcome: Outcome | None = None
    """How the EAP conversation inside TLS ended; None: none was held."""
    eap_detail: str | None = None
    eap_served: Served | None = None
    """What the EAP server behind showed; `served` of the record is the RadSec server's own."""


@dataclass(frozen=True, slots=True)
class LoginSeen:
    """How a complete login ended. It holds nothing of the credential."""

    sent: bool
    """Whether the credential, or a proof made with it, left this machine."""
    accepted: bool | None = None
    """Access-Accept or Access-Reject; None: neither came."""
    detail: str | None = None
    """Why nothing was sent, or how it ended, in words; may hold text off the wire."""
    inner: str | None = None
    """The inner method that was used."""
    attributes: tuple[tuple[str, str], ...] = ()
    """Of the last reply, by name, without keys, State, EAP-Message and authenticators."""
    keys_agree: bool | None = None
    """Whether MS-MPPE-Recv-Key and MS-MPPE-Send-Key (RFC 2548, 2.4) are those that this side
    derived; None: there were none to compare."""
    resumable: bool | None = None
    """Whether the server offers to resume the session; None: not seen."""


@dataclass(frozen=True, slots=True)
class Handshake:
    """What one visit of a web, EAP or RadSec endpoint showed."""

    question: str
    endpoint: Endpoint
    nodes: tuple[str, ...]
    asked: HandshakeAsk
    at: datetime
    seconds: float
    outcome: Outcome
    phase: Phase
    """The last phase that was reached."""
    detail: str | None = None
    """In words, for a person; may hold text off the wire."""
    alert: str | None = None
    """IANA description of the fatal TLS alert that came, such as "handshake_failure"."""
    round_trips: int | None = None
    """eap: Access-Requests that were answered until the chain was in hand or the visit ended, the
    polite end not counted. web: None."""
    served: Served | None = None
    eap: EapSeen | None = None
    radius: RadiusSeen | None = None
    http: HttpSeen | None = None
    vantage: str | None = None
    source: str | None = None
    """The address of this machine that the visit came from, where it is known."""
    trials: tuple[Trial, ...] = ()
    """eap: what was tried to narrow down why it failed, in the order tried."""
    radsec: RadsecSeen | None = None
    login: LoginSeen | None = None

    @property
    def shown(self) -> tuple[Served, ...]:
        """Everything that was served: by the server itself, and by the one behind a RadSec one."""
        behind = self.radsec.eap_served if self.radsec is not None else None
        return tuple(one for one in (self.served, behind) if one is not None)


class FetchKind(Token):
    """What an address in a certificate leads to."""

    ISSUER = "issuer"
    """caIssuers (RFC 5280, 4.2.2.1)."""
    CRL = "crl"
    """A CRL distribution point (RFC 5280, 4.2.1.13)."""
    OCSP = "ocsp"
    """An OCSP responder (RFC 6960)."""


class FetchOutcome(Token):
    """How one fetch ended."""

    FETCHED = "fetched"
    NOT_ALLOWED = "not-allowed"
    """The address is none that the tool goes to (scheme, or a network the plan does not allow)."""
    NO_ADDRESS = "no-address"
    UNREACHABLE = "unreachable"
    SILENT = "silent"
    FAILED = "failed"
    """An HTTP status other than 200, a redirect too many."""
    MALFORMED = "malformed"
    TOO_LARGE = "too-large"


@dataclass(frozen=True, slots=True)
class Fetch:
    """What one authority address gave. Mechanical: nothing is verified here."""

    kind: FetchKind
    url: str
    certificate: str
    """SHA-256 of the certificate that names the address."""
    at: datetime
    seconds: float
    outcome: FetchOutcome
    status: int | None = None
    """The HTTP status."""
    detail: str | None = None
    body: str | None = None
    """SHA-256 of what came; the octets stand in the survey's bodies."""
    request: bytes | None = None
    """ocsp: the request that was sent."""
    issuer: str | None = None
    """ocsp: SHA-256 of the issuer's certificate that the request was made with."""
    vantage: str | None = None


@dataclass(frozen=True, slots=True)
class Taken:
    """When and from where a survey was taken."""

    began: datetime
    ended: datetime
    vantage: str | None = None
    machine: str | None = None
    """Host name of the machine that asked."""
    source: str | None = None
    """The file this was read from; None: just taken."""


@dataclass(frozen=True, slots=True)
class Survey:
    """Everything that was seen in one run, or in several that were merged."""

    taken: tuple[Taken, ...]
    plan_digest: str | None
    """SHA-256 of the plan file that the questions came from."""
    questions: tuple[Question, ...]
    lookups: tuple[Lookup, ...] = ()
    handshakes: tuple[Handshake, ...] = ()
    certificates: dict[str, bytes] = field(default_factory=dict)
    """Each certificate once: SHA-256 of its DER, in hex -> DER."""
    interrupted: bool = False
    fetches: tuple[Fetch, ...] = ()
    bodies: dict[str, bytes] = field(default_factory=dict)
    """What was fetched, each once: SHA-256 in hex -> octets."""

    def unobserved(self) -> tuple[str, ...]:
        """Return the ids of questions that nothing is known of, in the order they were to be asked.

        They have no record, or one that says that nothing could be asked, or one whose outcome is a
        word of a later version: what it tells is not known here, and what is not known is not fine.
        A login was seen if it was tried, and accepted or rejected.
        """
        records: tuple[Lookup | Handshake, ...] = (*self.lookups, *self.handshakes)
        seen = {record.question for record in records}
        seen -= {record.question for record in records if record.outcome not in _OUTCOMES}
        seen -= {
            record.question
            for record in self.handshakes
            if record.login is not None and (not record.login.sent or record.login.accepted is None)
        }
        return tuple(question.id for question in self.questions if question.id not in seen)

    def trimmed(self) -> "Survey":
        """Return it with the certificates that its handshakes show, and no other.

        What authorities said stays: it speaks of CAs, whose certificates are everybody's.
        """
        shown = {sha256 for r in self.handshakes for one in r.shown for sha256 in one.chain}
        kept = {sha256: der for sha256, der in self.certificates.items() if sha256 in shown}
        return replace(self, certificates=kept)


_OUTCOMES = frozenset((*Outcome, *LookupOutcome)) - {Outcome.NOT_ASKED}


@lru_cache(maxsize=4_096)
def fingerprint(der: bytes) -> str:
    """Return the SHA-256 of a DER encoding as 64 lower-case hex digits."""
    return hashlib.sha256(der).hexdigest()
