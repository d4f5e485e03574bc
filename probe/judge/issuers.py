"""Under which issuer domain names a CA answers to CAA records, as it publishes them: data.

The CA that issued is told by the organisation in its own subject. Of a CA that is not in the data
nothing is known, and nothing is claimed.
"""

import re
import tomllib
from collections.abc import Iterable, Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any

from probe.assessment import Basis
from probe.certificate.der import DerError, text
from probe.certificate.facts import CertFacts
from probe.certificate.naming import relative_names
from probe.records import dataclass

_ORGANISATION = "2.5.4.10"
"""id-at-organizationName (RFC 5280, appendix A.1)."""


_HOST = re.compile(r"[a-z]+://(?:[^/?#@]*@)?([^/?#:@]+)")
"""An address with its host (RFC 3986, 3.2), as far as it is a name."""


@dataclass(frozen=True, slots=True)
class Authority:
    """What is known of one CA."""

    identifiers: tuple[str, ...]
    """Issuer domain names that its document has; the first is what to write."""
    also: tuple[str, ...]
    """Further ones, known from memory alone."""
    source: str
    basis: Basis

    @property
    def every(self) -> frozenset[str]:
        """All that it may answer to."""
        return frozenset((*self.identifiers, *self.also))


@lru_cache(maxsize=1)
def known() -> Mapping[str, Authority]:
    """Return all that is known, by organisation, letter case folded."""
    content = Path(__file__).with_name("issuers.toml").read_text("utf-8")
    data: dict[str, Any] = tomllib.loads(content)
    found: dict[str, Authority] = {}
    for entry in data["authority"]:
        one = Authority(
            tuple(entry["identifiers"]),
            tuple(entry.get("also", ())),
            entry["source"],
            Basis(entry["basis"]),
        )
        found.update((name.casefold(), one) for name in entry["organisations"])
    return found


def authority_of(organisation: str | None) -> Authority | None:
    """Return what is known of the CA of that organisation."""
    return known().get(organisation.casefold()) if organisation else None


def organisation(name: bytes) -> str | None:
    """Return the organisation in a Name (DER), where it has one."""
    try:
        for relative in relative_names(name):
            for kind, tag, octets in relative:
                if kind == _ORGANISATION:
                    return text(tag, octets)[0]
    except DerError:
        pass
    return None


def stands_under(facts: Iterable[CertFacts], issuers: Iterable[str]) -> bool:
    """Whether these certificates give addresses of their CA under one of the issuer domain names.

    A CA publishes its lists and answers under its own domain: one that is not in the data, and that
    a set admits by that domain, is taken to be admitted.
    """
    hosts = {
        _host(address)
        for one in facts
        for address in (*one.issuer_addresses, *one.ocsp_addresses, *one.crl_addresses)
    }
    return any(host == name or host.endswith(f".{name}") for host in hosts for name in issuers)


def _host(address: str) -> str:
    found = _HOST.match(address.lower())
    return found[1] if found is not None else ""
