"""What a draft is made of: what was named, what the network showed, and what is proposed."""

from collections.abc import Mapping

from probe.observation.model import Outcome
from probe.plan.model import Audience, Profile, Resolver, SecretRef
from probe.records import dataclass, field

HTTPS = 443
RADIUS = 1812


@dataclass(frozen=True, slots=True)
class Row:
    """One node of a sheet."""

    host: str
    name: str | None = None
    addresses: tuple[str, ...] = ()
    group: str | None = None
    site: str | None = None
    web_port: int | None = None
    eap_port: int | None = None


@dataclass(frozen=True, slots=True)
class Given:
    """What was said on the command line and in the files named there. Files are written as the
    plan is to write them: seen from its folder."""

    names: tuple[str, ...] = ()
    """Host names in their one form, as they were given."""
    ports: Mapping[str, int] = field(default_factory=dict)
    """By name, where one was given with it."""
    rows: tuple[Row, ...] = ()
    services: tuple[str, ...] = ()
    """Names that are said to be services, and no node's own."""
    profiles: tuple[Profile, ...] = ()
    profile_files: tuple[str, ...] = ()
    """The profiles' files, as the plan writes them."""
    resolvers: tuple[Resolver, ...] = (Resolver("system"),)
    web_port: int = HTTPS
    eap_port: int = RADIUS
    secret: SecretRef | None = None
    secret_file: str | None = None
    """The file of the secret, as the plan writes it."""
    expected_names: tuple[str, ...] = ()
    roots_folder: str = "roots"
    roots_written: bool = False
    """Whether certificates that are at hand are written into that folder."""

    @property
    def every_name(self) -> tuple[str, ...]:
        """Every name that was given, those of rows first."""
        hosts = (row.host for row in self.rows)
        return tuple(dict.fromkeys((*hosts, *self.names, *self.services)))

    @property
    def has_eap(self) -> bool:
        """Whether anything given speaks of EAP."""
        return bool(self.secret or self.profiles or self.expected_names)


@dataclass(frozen=True, slots=True)
class Answer:
    """Where DNS leads a name."""

    addresses: tuple[str, ...] = ()
    alias: str | None = None
    """The name at the end of its aliases."""
    why: str | None = None
    """Why there is no address, in words; None: there is one."""
    unseen: bool = False
    """No resolver has said whether there is any."""


@dataclass(frozen=True, slots=True)
class Shown:
    """What one address showed to one visit."""

    address: str
    port: int
    name: str | None
    """By which name it was opened; of EAP the host of the node that was meant."""
    outcome: Outcome
    chain: tuple[bytes, ...] = ()
    """DER, in the order served."""


@dataclass(frozen=True, slots=True)
class Network:
    """What the network showed."""

    answers: Mapping[str, Answer]
    """By name: those that were given, and those that certificates or reverse records named."""
    web: tuple[Shown, ...] = ()
    eap: tuple[Shown, ...] = ()
    followed: frozenset[str] = frozenset()
    """Names that were found, and are taken in with addresses of their own."""
    left_out: tuple[str, ...] = ()
    """How much was not asked, in words: certificates and name servers may name any number."""

    def addresses(self, name: str) -> tuple[str, ...]:
        """Return where a name leads."""
        answer = self.answers.get(name)
        return answer.addresses if answer is not None else ()


@dataclass(slots=True)
class NodeDraft:
    """One node that is proposed."""

    name: str
    host: str
    addresses: tuple[str, ...]
    group: str | None = None
    site: str | None = None
    web_port: int | None = None
    """None: as the plan's own."""
    eap_port: int | None = None
    eap_addresses: tuple[str, ...] = ()
    """Where EAP was served, if that is not all of its addresses."""
    perhaps: tuple[str, ...] = ()
    """Addresses that may be this node's."""
    doubts: list[str] = field(default_factory=list)
    """What is to be filled in or looked at, in sentences."""


@dataclass(slots=True)
class ServiceDraft:
    """One service that is proposed."""

    name: str
    nodes: tuple[str, ...]
    """Names of nodes; empty: every one."""
    endpoint: str = "web"
    addresses: tuple[str, ...] = ()
    """A virtual address."""
    port: int | None = None
    audience: Audience = Audience.GUESTS
    doubts: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class RootDraft:
    """One CA that what was served leads to, or that a profile trusts."""

    called: str
    """What it is called in a sentence."""
    file: str
    """Where it stands, or is to be put."""
    sha256: str | None = None
    """None: it was not served, so it is not at hand."""
    der: bytes | None = None
    web: tuple[str, ...] = ()
    """Names at which chains of the web led to it."""
    eap: tuple[str, ...] = ()
    """Nodes at which chains of EAP led to it."""
    vouched_by: str | None = None
    """The profile that trusts it."""
    self_signed_leaf: bool = False


@dataclass(frozen=True, slots=True)
class Open:
    """One thing to fill in or to confirm."""

    number: int
    place: str
    says: str


@dataclass(frozen=True, slots=True)
class Draft:
    """A plan that is proposed."""

    text: str
    """TOML."""
    opens: tuple[Open, ...]
    roots: tuple[RootDraft, ...]
    nodes: int
    services: int
    has_eap: bool
    beside: tuple[str, ...] = ()
    """Names that certificates have, that lead elsewhere, and are not in the draft."""
