"""The tables of a scenario file, as types. What they mean together is `scenario.py`'s business."""

from typing import Literal

import msgspec

from lab.authority import Look
from lab.authorityserver import AuthorityFault, Form, Offer
from lab.eapsettings import EapSettings
from lab.radsecsettings import RadsecSettings
from lab.relay import Balancing
from lab.revocation import State
from lab.tls import Version
from lab.webserver import WebFault
from lab.zone import NameFault

ChainLabels = tuple[str, ...]
"""Labels of certificates in the order served, the server's own first."""


RECORD_TYPES = ("A", "AAAA", "CNAME", "CAA", "TLSA", "PTR")
"""Types of records that can fail by themselves."""


class Table(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A table of a scenario file."""


class Certificate(Look, frozen=True):
    """One certificate."""

    per_node: bool = False
    """Whether every node has one of its own."""


class WebSettings(Table, frozen=True):
    """What a web endpoint serves."""

    chains: tuple[ChainLabels, ...]
    """One for each kind of key."""
    by_name: dict[str, tuple[ChainLabels, ...]] = {}
    """Other chains for single server names."""
    tls: tuple[Version, ...] = (Version.TLS1_2, Version.TLS1_3)
    fault: WebFault | None = None
    staple: State | None = None
    """The OCSP response that comes with the first chain; None: none comes."""
    unnamed: tuple[ChainLabels, ...] = ()
    """Other chains for clients that send no server name, or one that the cluster does not know."""
    in_turn: tuple[ChainLabels, ...] = ()
    """Other chains for every other visit."""
    minutes_ahead: float = 0
    """How far the node's clock is ahead."""
    strict_transport: str | None = None
    """The Strict-Transport-Security header."""
    timestamps: int = 0
    """Logs of which timestamps come in the TLS extension, up to TLS 1.2."""

    def served(self) -> tuple[tuple[str, ChainLabels], ...]:
        """Return every chain, with the key that names it."""
        groups = {"web": self.chains, "web.unnamed": self.unnamed, "web.in_turn": self.in_turn}
        groups |= {f"web.by_name.{name}": chains for name, chains in self.by_name.items()}
        return tuple((key, chain) for key, chains in groups.items() for chain in chains)


class Node(Table, frozen=True):
    """One node: the scenario's settings with its own laid over them."""

    host: str
    web: WebSettings
    eap: EapSettings | None = None
    radsec: RadsecSettings | None = None
    known_as: str | None = None
    """Its address in DNS and in the plan, where that is not the one by which the lab is reached."""
    own_eap_address: bool = False
    """Whether EAP answers on another interface than the one that the node's name leads to."""
    own_radsec_address: bool = False
    """The same of RadSec."""
    outside: bool = False
    """Whether web answers on a second interface too: where guests are, for instance."""
    ipv6: Literal["served", "closed"] | None = None
    """Whether it has an IPv6 address (::1), at which web answers or doesn't; None: it has none."""
    reverse: tuple[str, ...] | None = None
    """Names that its address leads back to (PTR); None: there is no such record."""


class Service(Table, frozen=True):
    """A name that clients open, or a virtual RADIUS address."""

    endpoint: Literal["web", "eap"] = "web"
    audience: Literal["guests", "staff"] = "guests"
    nodes: tuple[str, ...] = ()
    """Empty: every node."""
    virtual: bool = False
    """Whether it has an address of its own, where the first of its nodes answers."""
    balancing: Balancing | None = None
    """eap: how its own address spreads what comes over the nodes; None: it does not."""
    answers: Literal["all", "any-of"] | None = None
    """Whether DNS should give every address, as the plan says it; None: the plan says nothing."""


class Records(Table, frozen=True):
    """What the name server says of one name, instead of what follows from the nodes and services.

    Types that are not given stay as they are, but for an alias, which stands alone.
    """

    A: tuple[str, ...] | None = None
    """Addresses, or names of nodes for theirs: "quay1", and "quay1/outside" for its second one."""
    AAAA: tuple[str, ...] | None = None
    CNAME: tuple[str, ...] | None = None
    CAA: tuple[str, ...] | None = None
    TLSA: tuple[str, ...] | None = None
    """For each port on which the name is opened: usage, selector, matching type, and the data in
    hex or the label of a certificate that they are made of (of one per node: of each of them)."""
    absent: bool = False
    """Whether the name has no records of its own, so that a wildcard may answer for it."""
    aliases: int = 0
    """How many aliases stand between the name and its records."""
    fault: NameFault | None = None
    faults: dict[str, NameFault] = {}
    """What is wrong with single types of its records."""


class NameServerSettings(Table, frozen=True):
    """One name server."""

    fault: NameFault | None = None
    view: str | None = None
    """What the plan calls that which it shows."""
    record: dict[str, Records] = {}
    """What it says of single names, laid over what the others say."""
    tcp: bool = True
    """Whether it answers over TCP."""
    recursive: bool = True
    """Whether it plays a resolver. Else it refuses what lies outside of the cluster's own zone."""


class Canary(Table, frozen=True):
    """A name outside the plan: somebody else's, or what answers in its place."""

    name: str
    at: str
    """The node whose web server answers for it; its `by_name` may hold a certificate for it."""


class AuthoritySettings(Table, frozen=True):
    """What the servers of a CA say."""

    revoked: tuple[str, ...] = ()
    """Labels of certificates ("label@node" of one that is issued per node)."""
    faults: dict[Offer, AuthorityFault] = {}
    form: Form = Form.DER
    """How its own certificate is given."""
    delegate: str | None = None
    """Label of the certificate of whoever answers for it over OCSP."""


class Profile(Table, frozen=True):
    """A supplicant profile that was given out; the table's name is the file's."""

    family: Literal["apple-eap", "windows-eap", "linux-eap"]
    names: tuple[str, ...]
    anchors: ChainLabels
    """Labels of the certificates that it trusts."""


class Trust(Table, frozen=True):
    """Labels of the root certificates that each world trusts; "public" stands for `public`."""

    public: tuple[str, ...]
    web: tuple[str, ...] = ("public",)
    staff: tuple[str, ...] = ("public",)
    eap: tuple[str, ...] = ("public",)
    node: tuple[str, ...] = ("public",)
    client_issuers: tuple[str, ...] = ()
    """CAs of the clients' own certificates."""
    radsec: tuple[str, ...] = ()
