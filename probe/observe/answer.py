"""What a DNS response says about a name. Pure: a message in, an outcome out.

Terms are those of RFC 2308 (negative answers, referrals) and RFC 8499 (lame).
"""

import ipaddress

import dns.edns
import dns.flags
import dns.message
import dns.name
import dns.rcode
import dns.rdata
import dns.rdataclass
import dns.rdatatype
import dns.rrset

from probe.observation.model import LookupOutcome

_BOGUS = frozenset(
    # RFC 8914, 4: the extended errors by which a resolver tells that validation failed.
    {
        dns.edns.EDECode.DNSSEC_BOGUS,
        dns.edns.EDECode.SIGNATURE_EXPIRED,
        dns.edns.EDECode.SIGNATURE_NOT_YET_VALID,
        dns.edns.EDECode.DNSKEY_MISSING,
        dns.edns.EDECode.RRSIGS_MISSING,
        dns.edns.EDECode.NO_ZONE_KEY_BIT_SET,
        dns.edns.EDECode.NSEC_MISSING,
    }
)


class Trail:
    """The way from a name to its records, over aliases, through as many responses as it takes.

    `read` each response in turn; while it returns False, ask for `name` next. Once it has
    returned True, `outcome` and the rest hold the answer.
    """

    def __init__(self, name: str, record_type: str, most_aliases: int) -> None:
        self.name = dns.name.from_text(name)
        """The name to ask for next."""
        self.type = dns.rdatatype.from_text(record_type)
        self.outcome = LookupOutcome.SILENT
        self.detail: str | None = None
        self.aliases: list[str] = []
        self.data: tuple[str, ...] = ()
        self.secure = True
        """Every response so far carried AD: the resolver validated it (RFC 4035, 3.2.3)."""
        self._lifetimes: list[int] = []
        self._met = {self.name}
        self._most_aliases = most_aliases

    @property
    def ttl(self) -> int | None:
        """The shortest lifetime on the way, in seconds; None without an answer."""
        return min(self._lifetimes) if self.outcome is LookupOutcome.ANSWERED else None

    def read(self, response: dns.message.Message) -> bool:
        """Take in a response to a question for `name`. Return True if nothing is left to ask."""
        rcode = response.rcode()
        if rcode not in (dns.rcode.NOERROR, dns.rcode.NXDOMAIN):
            return self._end(*_failure(response))
        self.secure = self.secure and bool(response.flags & dns.flags.AD)
        before = len(self.aliases)
        while True:
            records = self._records(response, self.type)
            if records is not None:
                self._lifetimes.append(records.ttl)
                self.data = tuple(sorted({_text(record) for record in records}))
                return self._end(LookupOutcome.ANSWERED)
            alias = self._records(response, dns.rdatatype.CNAME)
            if alias is None:
                break
            if self._follow(alias):
                return True
        if rcode == dns.rcode.NXDOMAIN:
            return self._no_name()
        if _is_negative(response):
            return self._end(LookupOutcome.NO_DATA)
        if len(self.aliases) > before:
            # The chain leaves what this response covers (RFC 1034, 4.3.2, 3a): its end is asked.
            return False
        return self._no_records(response)

    def silence(self, detail: str) -> None:
        """Take in that no response came."""
        self._end(LookupOutcome.SILENT, detail)

    def malformed(self, detail: str) -> None:
        """Take in that what came was no response."""
        self._end(LookupOutcome.MALFORMED, detail)

    def failed(self, detail: str) -> None:
        """Take in that the response could not be had in full."""
        self._end(LookupOutcome.FAILED, detail)

    def _records(
        self, response: dns.message.Message, record_type: dns.rdatatype.RdataType
    ) -> dns.rrset.RRset | None:
        found = response.get_rrset(
            response.answer, self.name, dns.rdataclass.IN, record_type, dns.rdatatype.NONE
        )
        return found if found else None

    def _follow(self, alias: dns.rrset.RRset) -> bool:
        """Go on to an alias's target. Return True if that is where the way ends."""
        # RFC 2181, 10.1: an alias has exactly one canonical name; the library keeps one.
        self.name = alias[0].target
        self.aliases.append(_name_text(self.name))
        self._lifetimes.append(alias.ttl)
        if self.name in self._met:
            return self._end(
                LookupOutcome.ALIAS_BROKEN,
                f"the aliases go round in a circle at {self.aliases[-1]}",
            )
        self._met.add(self.name)
        if len(self.aliases) > self._most_aliases:
            return self._end(
                LookupOutcome.ALIAS_BROKEN, f"more than {self._most_aliases} aliases in a row"
            )
        return False

    def _no_name(self) -> bool:
        if self.aliases:
            return self._end(
                LookupOutcome.ALIAS_BROKEN,
                f"the alias leads to {self.aliases[-1]}, which does not exist",
            )
        return self._end(LookupOutcome.NO_NAME)

    def _no_records(self, response: dns.message.Message) -> bool:
        authoritative = response.flags & dns.flags.AA
        if any(records.rdtype == dns.rdatatype.NS for records in response.authority):
            if not authoritative:
                # RFC 2308, 2.2: name servers and no SOA is a referral, no answer.
                return self._end(LookupOutcome.LAME, "refers to other name servers")
        elif not authoritative and not response.flags & dns.flags.RA:
            return self._end(
                LookupOutcome.LAME, "an empty answer without authority and without recursion"
            )
        return self._end(LookupOutcome.NO_DATA)

    def _end(self, outcome: LookupOutcome, detail: str | None = None) -> bool:
        self.outcome, self.detail = outcome, detail
        return True


def _is_negative(response: dns.message.Message) -> bool:
    # RFC 2308, 2.2: an SOA in the authority section marks "no data".
    return any(records.rdtype == dns.rdatatype.SOA for records in response.authority)


def _failure(response: dns.message.Message) -> tuple[LookupOutcome, str]:
    rcode = response.rcode()
    said = dns.rcode.to_text(rcode)
    errors = response.extended_errors()
    for error in errors:
        said += f", extended error {int(error.code)}"
        if error.text:
            said += f": {error.text}"
    if rcode == dns.rcode.REFUSED:
        return LookupOutcome.REFUSED, said
    if rcode == dns.rcode.SERVFAIL and any(error.code in _BOGUS for error in errors):
        return LookupOutcome.INVALID, said
    return LookupOutcome.FAILED, said


def _name_text(name: dns.name.Name) -> str:
    return name.to_text(omit_final_dot=True).lower()


def _text(record: dns.rdata.Rdata) -> str:
    if record.rdtype in (dns.rdatatype.A, dns.rdatatype.AAAA):
        return str(ipaddress.ip_address(record.to_text()))
    return record.to_text()
