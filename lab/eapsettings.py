"""What a scenario file says of an EAP endpoint."""

from typing import Annotated, Literal

import msgspec

from lab.eapsite import EapFault, EapMethod, Proposal
from lab.radiusserver import Manners
from lab.relay import Path
from lab.revocation import State
from lab.tls import Resumption, Version

Labels = tuple[str, ...]
"""Labels of certificates in the order served, the server's own first."""


class EapSettings(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """What an EAP endpoint serves."""

    chains: tuple[Labels, ...]
    methods: tuple[EapMethod, ...] = (EapMethod.PEAP, EapMethod.EAP_TTLS, EapMethod.EAP_TLS)
    """Methods that the server agrees to; it proposes the first."""
    fragment_size: Annotated[int, msgspec.Meta(ge=64, le=3900)] = 1024
    """Octets of TLS data in one EAP packet; a RADIUS packet has room for some 4,000."""
    tls: tuple[Version, ...] = (Version.TLS1_2, Version.TLS1_3)
    heeds_mtu: bool = True
    """Whether a smaller Framed-MTU of the request counts; one common server does not look at it."""
    fault: EapFault | None = None
    staple: State | None = None
    """As for the web."""
    proposes: tuple[Proposal, ...] = ()
    """What is proposed before the methods."""
    peap_version: Literal[0, 1] = 0
    by_method: dict[EapMethod, tuple[Labels, ...]] = {}
    """Other chains in single methods."""
    by_visit: dict[str, tuple[Labels, ...]] = {}
    """Other chains for single request contexts: "ATTRIBUTE=VALUE", where the attribute's text ends
    in the value."""
    in_turn: tuple[Labels, ...] = ()
    """Other chains for every other conversation."""
    client_authorities: tuple[str, ...] = ()
    """Labels of the CAs that EAP-TLS clients are told about."""
    resumption: tuple[Resumption, ...] = ()
    radius: Manners = Manners()
    path: Path | None = None
    """What lies before the server; None: nothing."""

    def served(self) -> tuple[tuple[str, Labels], ...]:
        """Return every chain, with the key that names it."""
        groups = {"eap": self.chains, "eap.in_turn": self.in_turn}
        groups |= {f"eap.by_method.{method}": chains for method, chains in self.by_method.items()}
        groups |= {f"eap.by_visit.{visit}": chains for visit, chains in self.by_visit.items()}
        return tuple((key, chain) for key, chains in groups.items() for chain in chains)

    def problem(self) -> str | None:
        """Return what makes no sense in it, in words."""
        for visit in self.by_visit:
            if "=" not in visit:
                return f"by_visit: {visit!r} is no ATTRIBUTE=VALUE"
        return None
