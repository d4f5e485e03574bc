"""What a scenario file says of a RadSec endpoint."""

from typing import Literal

import msgspec

from lab.authority import Workshop
from lab.eapsettings import Labels
from lab.radsecserver import RadsecFault, RadsecSite
from lab.tls import ServedChain, Version


class RadsecSettings(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """What a RadSec endpoint serves."""

    chains: tuple[Labels, ...]
    tls: tuple[Version, ...] = (Version.TLS1_2, Version.TLS1_3)
    fault: RadsecFault | None = None
    takes: tuple[str, ...] = ()
    """Labels of the CAs of which a peer must show a certificate; empty: none is asked for."""
    names_authorities: bool = True
    """Whether peers are told these CAs."""
    protocol: Literal["radius/1.0", "radius/1.1"] | None = None
    """The one protocol of RFC 9765 that it says it speaks; nothing is said in "radius/1.1"."""
    status_server: Literal["answers", "ignores"] = "answers"

    def named(self) -> tuple[tuple[str, tuple[Labels, ...]], ...]:
        """Return every chain and label, with the key that names it."""
        return ("radsec", self.chains), *(("radsec.takes", ((label,),)) for label in self.takes)

    def site(self, chains: tuple[ServedChain, ...], workshop: Workshop) -> RadsecSite:
        """Return what is served, with the certificates that the labels stand for."""
        return RadsecSite(
            chains,
            self.tls,
            self.fault,
            takes=tuple(workshop[label].certificate for label in self.takes),
            names_authorities=self.names_authorities,
            protocol=self.protocol,
            sign_of_life=self.status_server == "answers",
        )
