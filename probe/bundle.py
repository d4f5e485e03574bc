"""What is to be imported, and what is to be said of it before: values alone.

Made by the job and the judge, shown by the reports, which compute nothing. No private key is in
here, only whether there is one and whether it fits.
"""

from collections.abc import Mapping
from enum import Enum
from typing import TYPE_CHECKING

from probe.assessment import Assessment, Verdict
from probe.certificate.facts import CertFacts
from probe.observation.model import Endpoint, Survey, fingerprint
from probe.records import dataclass

if TYPE_CHECKING:
    from probe.certificate.container import Container, Problem, Request


@dataclass(frozen=True, slots=True)
class Offered:
    """What the files hold, in the order in which a server would send it."""

    containers: "tuple[Container, ...]" = ()
    problems: "tuple[Problem, ...]" = ()
    chain: tuple[bytes, ...] = ()
    """DER of the server's own certificate and of each issuer in the files after it, a root last;
    empty: there is no server's certificate."""
    others: tuple[bytes, ...] = ()
    """Further servers' certificates in the same files."""
    surplus: tuple[bytes, ...] = ()
    """Certificates that belong to no server's chain."""
    in_order: bool = True
    """Whether the certificates of the chain stand in the files in this order."""
    keys: tuple[str, ...] = ()
    """Kinds of the private keys in the files, such as "RSA 2048"."""
    fits: bool | None = None
    """Whether a key is that of the server's certificate, shown by signing; None: there is none, or
    it cannot be told."""
    request: "Request | None" = None
    request_trouble: str | None = None
    """Why a request that was named could not be read, as a clause."""


@dataclass(frozen=True, slots=True)
class Said:
    """What somebody has said that it is meant for."""

    endpoint: Endpoint | None = None
    nodes: tuple[str, ...] = ()
    """In plan order; empty: nothing was said of nodes."""


NOTHING_SAID = Said()


@dataclass(frozen=True, slots=True)
class ServedNow:
    """What the nodes were seen to serve."""

    survey: Survey
    known_from: str
    """In words."""


@dataclass(frozen=True, slots=True)
class World:
    """One kind of endpoint that a certificate may be meant for."""

    endpoint: Endpoint
    meant: bool
    why: str


class Origin(Enum):
    """Where a CA certificate is to be had."""

    BUNDLE = "bundle"
    PLAN = "plan"
    """Among the roots that the plan names."""
    SEEN = "seen"
    """It was served when the nodes were last looked at."""
    NOWHERE = "nowhere"


@dataclass(frozen=True, slots=True)
class Authority:
    """A CA certificate on the way from the server's to the root: a node must have it first."""

    subject: str
    """RFC 4514; where no certificate is at hand, the issuer that is named."""
    certificate: str | None
    """SHA-256; None: it is nowhere."""
    sha1: str | None
    root: bool
    origin: Origin
    trusted: bool
    """Whether the plan says that nodes have it."""


@dataclass(frozen=True, slots=True)
class Coverage:
    """A name of the plan, and whether the certificate covers it."""

    endpoint: Endpoint
    name: str
    """eap: the names of which supplicants expect one, as one text."""
    nodes: tuple[str, ...]
    wanted: bool
    """Whether the certificate is meant to cover it."""
    covered: bool
    by: str | None
    """The entry of the certificate that does."""
    why: str
    starred: bool = False
    """Not covered, though a wildcard would, if these supplicants took wildcards."""


@dataclass(frozen=True, slots=True)
class Entries:
    """What would cover every name that is wanted."""

    names: tuple[str, ...] = ()
    """Each in full: taken by every client and every CA."""
    fewest: tuple[str, ...] = ()
    """With a wildcard where one stands for two names or more of the web."""


@dataclass(frozen=True, slots=True)
class SameKey:
    """A certificate that is served and has the key of the new one."""

    certificate: str
    """SHA-256."""
    endpoint: Endpoint
    nodes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Key:
    """The key of the new certificate, beside those that are served."""

    kind: str
    reused: bool | None
    """None: nothing is known of what is served."""
    known_from: str | None
    """Where that is known from, in words."""
    served: tuple[SameKey, ...]
    asked_again: tuple[str, ...]
    """Client families on site that remember the certificate itself, whatever its key."""
    says: tuple[str, ...]
    """What it means to those who pin keys or certificates, a sentence each."""


@dataclass(frozen=True, slots=True)
class Judged:
    """The answer of `probe bundle`."""

    planned: bool
    """Whether there was a plan; else the names are those of the certificate itself."""
    plan_nodes: tuple[str, ...]
    """All of the plan, in its order."""
    offered: Offered
    assessment: Assessment
    """Of a survey in which the nodes serve the chain, and of the files."""
    worlds: tuple[World, ...]
    nodes: tuple[str, ...]
    """Those that it is meant for, in plan order."""
    nodes_why: str | None
    """Why these, where they are not all."""
    coverage: tuple[Coverage, ...]
    entries: Entries
    """Empty where every name that is wanted is covered."""
    authorities: tuple[Authority, ...]
    """The issuer of the server's certificate first, the root last."""
    key: Key | None
    """None: there is neither certificate nor request."""
    to_serve: tuple[bytes, ...] | None
    """The chain as it is to be served, without the root; None: it cannot be made whole."""
    certificates: Mapping[str, bytes]
    """Every certificate that is spoken of, by SHA-256."""
    facts: Mapping[str, CertFacts]
    public: Mapping[str, str]

    @property
    def verdict(self) -> Verdict:
        """The worst of the findings."""
        return self.assessment.verdict

    @property
    def is_request(self) -> bool:
        """Whether there is a request alone, before any certificate."""
        return not self.offered.containers and self.offered.request is not None

    @property
    def matches(self) -> bool | None:
        """Whether the certificate has the key of the request; None: one of them is missing."""
        if not self.offered.chain or self.offered.request is None:
            return None
        leaf = self.facts[fingerprint(self.offered.chain[0])]
        return leaf.spki == self.offered.request.spki
