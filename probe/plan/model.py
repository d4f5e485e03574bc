"""The plan, read and checked: what should be there, and how to ask. Only `read.py` makes one.

Names of hosts are A-labels in lower case without a final dot; addresses are in RFC 5952 form.
Files named in the plan are resolved against its folder. PEM files are already loaded (`Roots`),
secrets are not: a `SecretRef` says where one is to be found, and `secrets.py` goes and gets it.
"""

from datetime import date
from enum import Enum
from pathlib import Path

from probe.observation.model import Endpoint, Method
from probe.records import dataclass, field


class Audience(Enum):
    """Who opens a name."""

    GUESTS = "guests"
    """Visitors' devices: public roots only."""
    STAFF = "staff"
    """The organisation's devices: its private roots too."""


class Setup(Enum):
    """How a supplicant was set up."""

    PROFILE = "profile"
    """Root and expected names were given to it."""
    BY_HAND = "by-hand"
    """Its user accepted a prompt once; it remembers a leaf or a root."""


FAMILIES = (
    "chromium-web",
    "firefox-web",
    "apple-web",
    "captive-web",
    "windows-eap",
    "apple-eap",
    "android-eap",
    "linux-eap",
    "node",
)
"""The client families that the plan may name, in the order in which they are shown."""


@dataclass(frozen=True, slots=True)
class Client:
    """A client family on site. `setup` is None for browsers and nodes, which have none."""

    family: str
    setup: Setup | None
    prompts: bool | None = None
    """Whether its profile lets it ask its user about what it does not trust; None: not known."""


@dataclass(frozen=True, slots=True)
class SecretRef:
    """Where a secret is to be found. Exactly one of the three is set."""

    environment: str | None = None
    file: Path | None = None
    ask: bool = False


@dataclass(frozen=True, slots=True)
class Roots:
    """One source of certificates named in the plan."""

    name: str
    """As the plan writes it: "certifi", or the file's name."""
    version: str | None
    certificates: tuple[bytes, ...]
    """DER."""


@dataclass(frozen=True, slots=True)
class Trust:
    """Which roots each world trusts. "public" is already replaced by the sources of `public`."""

    public: tuple[Roots, ...]
    web: tuple[Roots, ...]
    staff: tuple[Roots, ...]
    eap: tuple[Roots, ...]
    node: tuple[Roots, ...]
    client_issuers: tuple[Roots, ...] = ()


def is_guests(label: str | None) -> bool:
    """Tell whether a view or a vantage is that of guests: by the word "guest" in its name."""
    return label is not None and "guest" in label.casefold()


def is_outside(view: str | None) -> bool:
    """Tell whether a view shows names as guests or the public see them."""
    return is_guests(view) or (view is not None and view.casefold() == "public")


@dataclass(frozen=True, slots=True)
class Resolver:
    """A DNS resolver to ask."""

    at: str
    """"system", or "ADDRESS", "ADDRESS:PORT", "[ADDRESS]:PORT"."""
    view: str | None = None

    @property
    def may_be_public(self) -> bool:
        """Whether it may show what the public sees, as a CA does: it has no view, or that of guests
        or of the public. A view of any other name is an inner one."""
        return self.view is None or is_outside(self.view)


@dataclass(frozen=True, slots=True)
class Web:
    """How to visit the web endpoint of a node."""

    port: int = 443
    used_as_client: bool = False
    addresses: tuple[str, ...] | None = None
    """None: the node's own."""


@dataclass(frozen=True, slots=True)
class Visit:
    """A context of EAP requests, in which servers may choose another certificate."""

    name: str | None
    """None: the plan's own context."""
    medium: str = "wifi"
    ssid: str | None = None
    identity: str | None = None
    attributes: tuple[tuple[str, str | int], ...] = ()


@dataclass(frozen=True, slots=True)
class Eap:
    """How to visit the EAP endpoint of a node."""

    port: int = 1812
    secret: SecretRef | None = None
    expected_names: tuple[str, ...] = ()
    methods: tuple[Method, ...] = (Method.PEAP, Method.EAP_TTLS, Method.EAP_TLS)
    identity: str = "cert-probe@example.invalid"
    anonymous_nai: str | None = None
    nas_identifier: str = "cert-probe"
    nas_address: str | None = None
    calling_station: str = "02-00-00-CE-47-01"
    medium: str = "wifi"
    ssid: str | None = None
    framed_mtu: int = 1400
    suite_192: bool = False
    attributes: tuple[tuple[str, str | int], ...] = ()
    visits: tuple[Visit, ...] = ()
    addresses: tuple[str, ...] | None = None


@dataclass(frozen=True, slots=True)
class Radsec:
    """How to visit the RadSec endpoint of a node."""

    port: int = 2083
    roots: tuple[Roots, ...] = ()
    names: tuple[str, ...] = ()
    certificate: Path | None = None
    key: SecretRef | None = None
    addresses: tuple[str, ...] | None = None


@dataclass(frozen=True, slots=True)
class Login:
    """A test account or test certificate for a complete login."""

    method: Method
    inner: str | None = None
    account: str | None = None
    password: SecretRef | None = None
    certificate: Path | None = None
    key: SecretRef | None = None


@dataclass(frozen=True, slots=True)
class Guest:
    """What guests may reach before they log in."""

    canary: str | None = None
    """A name outside the plan that is served over HTTPS."""
    canary_port: int = 443
    reaches: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Fetch:
    """Whether and where authority addresses are fetched from."""

    off: bool = False
    allow: tuple[str, ...] = ()
    """Networks in CIDR form that are allowed although they are near."""


@dataclass(frozen=True, slots=True)
class Windows:
    """How long before an end a warning is due, in days."""

    expiring_days: int | None = None
    """None: a third of the lifetime, at most 30 days."""
    anchor_days: int = 365


@dataclass(frozen=True, slots=True)
class Service:
    """A name that clients open, or a virtual RADIUS address."""

    name: str
    endpoint: Endpoint
    audience: Audience
    nodes: tuple[str, ...]
    port: int | None = None
    """None: the node's own port for that endpoint."""
    addresses: tuple[str, ...] = ()
    """Virtual addresses; empty: the nodes' own."""
    any_of: bool = False
    """`answers = "any-of"`: some of the planned addresses are enough."""


@dataclass(frozen=True, slots=True)
class Node:
    """One server of the cluster, with the settings of its group and the plan filled in."""

    name: str
    host: str
    host_audience: Audience
    addresses: tuple[str, ...] | None
    """None: taken from the resolver ("dns"), and not checked."""
    web: Web
    eap: Eap | None
    """None: EAP is not in the plan."""
    radsec: Radsec | None = None
    connect: tuple[tuple[str, str], ...] = ()
    """(planned address, address by which this machine reaches it)."""
    group: str | None = None
    site: str | None = None
    """Where it stands, as the engineer names it."""

    def web_addresses(self) -> tuple[str, ...] | None:
        """Return where the web endpoint answers; None: wherever its name leads."""
        return self.web.addresses if self.web.addresses is not None else self.addresses

    def eap_addresses(self) -> tuple[str, ...] | None:
        """Return where the EAP endpoint answers; None: wherever its name leads."""
        if self.eap is not None and self.eap.addresses is not None:
            return self.eap.addresses
        return self.addresses

    def radsec_addresses(self) -> tuple[str, ...] | None:
        """Return where the RadSec endpoint answers; None: wherever its name leads."""
        if self.radsec is not None and self.radsec.addresses is not None:
            return self.radsec.addresses
        return self.addresses

    def reached_at(self, address: str) -> str:
        """Return the address to connect to for a planned address."""
        return dict(self.connect).get(address, address)


@dataclass(frozen=True, slots=True)
class Site:
    """In which order a site's access points ask the RADIUS nodes."""

    name: str
    eap_order: tuple[str, ...]


class Matching(Enum):
    """How a supplicant compares a name in its profile with a certificate."""

    NAME = "name"
    """With a DNS name, else the common name, by the family's own rules; a star may stand in it."""
    EXACT = "exact"
    """With a DNS name, else the common name: equal."""
    SUFFIX = "suffix"
    """With a DNS name, else the common name: its last labels."""
    PATTERN = "pattern"
    """As a regular expression of `probe.plan.pattern`."""
    ALTERNATIVE = "alternative"
    """TYPE:VALUE, with an alternative name of that type."""
    SUBJECT = "subject"
    """With a part of the whole subject."""


@dataclass(frozen=True, slots=True)
class Demand:
    """What one key of a profile demands of the server's names: that one of these matches."""

    key: str
    """As it stands in the file."""
    names: tuple[tuple[str, Matching], ...]


@dataclass(frozen=True, slots=True)
class Expects:
    """What a profile expects of the server's certificate in one network. It holds no secret."""

    demands: tuple[Demand, ...] = ()
    """All must be met; empty: any name will do."""
    anchor_key: str = ""
    """The key under which anchors stand in the file."""
    anchors: tuple[bytes, ...] = ()
    """DER of what is trusted: roots, intermediates or the server's own certificate."""
    thumbprints: tuple[str, ...] = ()
    """The same as lower-case hex: SHA-1 (40 digits) or SHA-256 (64)."""
    system_roots: bool = False
    """The roots of the system are trusted besides."""
    validates: bool = True
    """False: the server's certificate is not looked at."""
    prompts: bool | None = None
    """Whether the user may accept what is not trusted; None: there is no such prompt."""
    ssids: tuple[str, ...] = ()
    """The networks it is for; empty: wired, or not said."""


@dataclass(frozen=True, slots=True)
class Profile:
    """A supplicant profile that was really given out."""

    file: Path
    family: str
    expects: tuple[Expects, ...] = ()
    """One for each 802.1X network in it."""


@dataclass(frozen=True, slots=True)
class Acceptance:
    """A finding that is known and taken, until a date (the end of that day, UTC)."""

    rule: str
    nodes: tuple[str, ...]
    """Empty: every node."""
    reason: str
    until: date
    name: str | None = None


@dataclass(frozen=True, slots=True)
class Plan:
    """The whole plan."""

    name: str
    clients: tuple[Client, ...]
    trust: Trust
    nodes: tuple[Node, ...]
    resolvers: tuple[Resolver, ...] = (Resolver("system"),)
    services: tuple[Service, ...] = ()
    vantage: str | None = None
    eap: Eap | None = None
    """The plan's own [eap]; each node has its own copy with overrides."""
    radsec: Radsec | None = None
    login: Login | None = None
    guest: Guest = Guest()
    fetch: Fetch = Fetch()
    windows: Windows = Windows()
    limits: tuple[tuple[str, float], ...] = ()
    """Overrides of limits.py, by name."""
    sites: tuple[Site, ...] = ()
    profiles: tuple[Profile, ...] = ()
    accepted: tuple[Acceptance, ...] = ()
    digest: str | None = None
    """SHA-256 of the plan file."""
    path: Path | None = field(default=None, compare=False)

    @property
    def radsec_roots(self) -> tuple[Roots, ...]:
        """Every source of roots that the plan has for RadSec, each once."""
        found = (roots for node in self.nodes if node.radsec for roots in node.radsec.roots)
        return tuple(dict.fromkeys(found))

    def node(self, name: str) -> Node:
        """Return the node of that name. Raises KeyError."""
        for node in self.nodes:
            if node.name == name:
                return node
        raise KeyError(name)
