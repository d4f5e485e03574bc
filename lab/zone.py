"""What a name server of the lab knows: zones, and what they say of one name.

Wildcards are those of RFC 4592: a name that is there itself, or that has names below it, is never
covered by one. Faults are looked up here too, as they belong to names; what they do to an answer is
the server's business.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from enum import StrEnum

import dns.name
import dns.rdatatype
import dns.rrset

TTL = 300
_LONGEST_ALIAS_CHAIN = 40
"""So many aliases are written into one answer, far beyond what anybody follows."""

Records = Mapping[str, tuple[str, ...]]
"""Record type -> values in presentation form."""


class NameFault(StrEnum):
    """What is wrong with a name, with one type of its records, or with a whole name server."""

    SILENT = "silent"
    """No answer at all."""
    FAILS = "fails"
    """SERVFAIL."""
    REFUSES = "refuses"
    """REFUSED."""
    NOT_IMPLEMENTED = "not-implemented"
    """NOTIMP."""
    MISSING = "missing"
    """NXDOMAIN: there is no such name."""
    EMPTY = "empty"
    """The name exists and has no such record."""
    GARBAGE = "garbage"
    """Octets that are no DNS message."""
    LAME = "lame"
    """A referral to other servers, from a server that asks nobody else."""
    BOGUS = "bogus"
    """SERVFAIL, unless the client says that it validates for itself (CD): broken signatures, as a
    validating resolver tells of them (RFC 4035, 3.2.2)."""
    TRUNCATED = "truncated"
    """The answer over UDP is cut (TC) and the client has to ask again over TCP."""
    CUT_OFF = "cut-off"
    """As truncated, and over TCP the connection ends within the answer."""
    OTHER_ID = "other-id"
    """The answer has the id of another question."""
    OTHER_QUESTION = "other-question"
    """The answer is to another question."""
    POINTER_LOOP = "pointer-loop"
    """The answer holds a compressed name that points at itself."""
    FLOOD = "flood"
    """Thousands of addresses beside the right ones."""


@dataclass(frozen=True, slots=True)
class Zone:
    """Names below one origin."""

    origin: str
    records: Mapping[str, Records] = field(default_factory=dict)
    """By name. A name that is not here is NXDOMAIN, unless a name "*.PARENT" covers it."""
    faults: Mapping[str, NameFault] = field(default_factory=dict)
    """What is wrong with single names, whatever is asked."""
    type_faults: Mapping[tuple[str, str], NameFault] = field(default_factory=dict)
    """What is wrong with one type of records: (name, type)."""
    signed: bool = False
    """Whether its data validate: the lab's server plays a validating resolver and says so (AD)."""


@dataclass(slots=True)
class Told:
    """What the zones say to one question."""

    answer: list[dns.rrset.RRset] = field(default_factory=list)
    missing: bool = False
    """NXDOMAIN, of the name itself or of the end of its aliases."""
    complete: bool = False
    """Whether records of the type asked for are in the answer."""
    secure: bool = True
    """Whether all zones that were met are signed."""


class Zones:
    """All zones of a server; the longest origin above a name counts."""

    def __init__(self, zones: tuple[Zone, ...]) -> None:
        self._zones = sorted(
            (_Known(zone) for zone in zones), key=lambda known: -len(known.origin.labels)
        )

    def origin_of(self, name: dns.name.Name) -> dns.name.Name | None:
        """Return the origin of the zone that a name belongs to; None: it lies outside of all."""
        known = self._known(name)
        return known.origin if known is not None else None

    def fault_of(self, name: dns.name.Name, rdtype: dns.rdatatype.RdataType) -> NameFault | None:
        """Return what is wrong with a name, or with records of that type there."""
        known = self._known(name)
        return known.fault_of(name, rdtype) if known is not None else None

    def tell(self, name: dns.name.Name, rdtype: dns.rdatatype.RdataType) -> Told:
        """Return the records of a name, and of its aliases as far as they stay in our zones."""
        told = Told()
        kind = dns.rdatatype.to_text(rdtype)
        met: set[dns.name.Name] = set()
        while name not in met and len(met) < _LONGEST_ALIAS_CHAIN:
            met.add(name)
            known = self._known(name)
            if known is None:
                break  # an alias that leads out of our zones: the client has to go on alone
            told.secure = told.secure and known.zone.signed
            fault = known.fault_of(name, rdtype)
            records = known.records_of(name)
            if fault is NameFault.MISSING or (records is None and not self._has_below(name)):
                told.missing = True
                break
            if records is None or fault is NameFault.EMPTY:
                break
            values = records.get(kind, ())
            if values:
                told.answer.append(dns.rrset.from_text(name, TTL, "IN", kind, *values))
                told.complete = True
                break
            alias = records.get("CNAME", ())
            if not alias:
                break
            target = dns.name.from_text(alias[0])
            told.answer.append(dns.rrset.from_text(name, TTL, "IN", "CNAME", target.to_text()))
            name = target
        return told

    def _known(self, name: dns.name.Name) -> "_Known | None":
        return next((known for known in self._zones if name.is_subdomain(known.origin)), None)

    def _has_below(self, name: dns.name.Name) -> bool:
        """A name without records exists if there are names below it (RFC 4592, 2.2.2)."""
        return any(known.origin.is_subdomain(name) or known.below(name) for known in self._zones)


class _Known:
    """One zone with its names parsed."""

    def __init__(self, zone: Zone) -> None:
        self.zone = zone
        self.origin = dns.name.from_text(zone.origin)
        self._records = {dns.name.from_text(name): said for name, said in zone.records.items()}
        self._faults = {dns.name.from_text(name): fault for name, fault in zone.faults.items()}
        self._type_faults = {
            (dns.name.from_text(name), dns.rdatatype.from_text(kind)): fault
            for (name, kind), fault in zone.type_faults.items()
        }

    def fault_of(self, name: dns.name.Name, rdtype: dns.rdatatype.RdataType) -> NameFault | None:
        for owner in self._owners(name):
            fault = self._type_faults.get((owner, rdtype), self._faults.get(owner))
            if fault is not None:
                return fault
        return None

    def records_of(self, name: dns.name.Name) -> Records | None:
        """Return the records of a name or of the wildcard that covers it; None: it has none."""
        return next((self._records[o] for o in self._owners(name) if o in self._records), None)

    def below(self, name: dns.name.Name) -> bool:
        return any(other.is_subdomain(name) for other in self._records)

    def _owners(self, name: dns.name.Name) -> Iterator[dns.name.Name]:
        """Yield the name, and if it is not there the wildcard below its closest encloser."""
        yield name
        if self.below(name):
            return
        encloser = name
        while encloser != self.origin:
            encloser = encloser.parent()
            if encloser == self.origin or self.below(encloser):
                yield dns.name.from_text("*", encloser)
                return
