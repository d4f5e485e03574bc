"""What a DNS response says about a name. Pure: a message in, an outcome out.

Terms are those of RFC 2308 (negative answers, referrals) and RFC 8499 (lame).
"""

import ipaddress
from collections.abc import Iterable

import dns.edns
import dns.flags
import dns.message
import dns.name
import dns.rcode
import dns.rdata
import dns.rdataclass
import dns.rdatatype
import dns.rrset
from dns.rdtypes.ANY.PTR import PTR
from dns.rdtypes.ANY.TLSA import TLSA
from dns.rdtypes.IN.A import A
from dns.rdtypes.IN.AAAA import AAAA

from probe.limits import Limits
from probe.observation.model import LookupOutcome

_PROVEN = frozenset(
    {
        LookupOutcome.ANSWERED,
        LookupOutcome.NO_NAME,
        LookupOutcome.NO_DATA,
        LookupOutcome.ALIAS_BROKEN,
    }
)
"""Outcomes that rest on data or on an absence, which a resolver can validate (RFC 4035, 3.2.3)."""

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

    def __init__(self, name: str, record_type: str, limits: Limits) -> None:
        self.name = dns.name.from_text(name)
        """The name to ask for next."""
        self.type = dns.rdatatype.from_text(record_type)
        self.outcome = LookupOutcome.SILENT
        self.detail: str | None = None
        self.aliases: list[str] = []
        self.data: tuple[str, ...] = ()
        self.answers_unchecked = False
        """Where no validation is asked for (CD; RFC 4035, 3.2.2), there is an answer."""
        self._secure = True
        """Every response so far carried AD: the resolver validated it (RFC 4035, 3.2.3)."""
        self._lifetimes: list[int] = []
        self._met = {self.name}
        self._limits = limits

    @property
    def ttl(self) -> int | None:
        """The shortest lifetime on the way, in seconds; None without an answer."""
        return min(self._lifetimes) if self.outcome is LookupOutcome.ANSWERED else None

    @property
    def dnssec(self) -> str | None:
        """What the resolver says of validation, as in `Lookup`."""
        if self.outcome is LookupOutcome.INVALID:
            return "bogus"
        return "secure" if self.outcome in _PROVEN and self._secure else None

    def read(self, response: dns.message.Message) -> bool:
        """Take in a response to a question for `name`. Return True if nothing is left to ask."""
        rcode = response.rcode()
        if rcode not in (dns.rcode.NOERROR, dns.rcode.NXDOMAIN):
            return self._end(*_failure(response, self.answers_unchecked))
        if response.errors and self.type != dns.rdatatype.TLSA:
            return self._end(
                LookupOutcome.MALFORMED,
                f"a record of the answer cannot be read: {response.errors[0].exception}",
            )
        self._secure = self._secure and bool(response.flags & dns.flags.AD)
        before = len(self.aliases)
        while True:
            records = self._records(response, self.type)
            if records is not None:
                self._lifetimes.append(records.ttl)
                return self._answered(records, len(response.errors))
            alias = self._records(response, dns.rdatatype.CNAME)
            if alias is None:
                break
            if self._follow(alias):
                return True
        if response.errors:
            return self._answered((), len(response.errors))
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

    def _answered(self, records: Iterable[dns.rdata.Rdata], unread: int) -> bool:
        texts = sorted({_text(record) for record in records})
        longest = self._limits.dns_record_characters
        # Cut short, a record would say something else.
        whole = [text for text in texts if len(text) <= longest]
        kept = tuple(whole[: self._limits.dns_records])
        notes = []
        if left_out := len(texts) - len(kept):
            notes.append(
                f"{left_out} of {len(texts)} records are left out: more than"
                f" {self._limits.dns_records}, or longer than {longest} characters"
            )
        if unread:
            notes.append(f"{unread} cannot be read")
        detail = "; ".join(notes) or None
        if left_out and (not kept or self.type == dns.rdatatype.CAA):
            # What is left of a set of CAA records does not say what the set says.
            return self._end(LookupOutcome.MALFORMED, detail)
        self.data = kept
        # RFC 6698, 4.1: what nobody can use is as good as nothing.
        return self._end(LookupOutcome.ANSWERED if kept else LookupOutcome.NO_DATA, detail)

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
        most = self._limits.dns_aliases
        if len(self.aliases) > most:
            return self._end(LookupOutcome.ALIAS_BROKEN, f"more than {most} aliases in a row")
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


def is_unexplained(response: dns.message.Message) -> bool:
    """Whether a resolver fails and does not say whether it is validation that failed."""
    return response.rcode() == dns.rcode.SERVFAIL and not _is_bogus(response)


def is_answer(response: dns.message.Message) -> bool:
    """Whether it says what there is, or that there is nothing."""
    return response.rcode() in (dns.rcode.NOERROR, dns.rcode.NXDOMAIN)


def _is_bogus(response: dns.message.Message) -> bool:
    return any(error.code in _BOGUS for error in response.extended_errors())


def _failure(response: dns.message.Message, answers_unchecked: bool) -> tuple[LookupOutcome, str]:
    rcode = response.rcode()
    said = dns.rcode.to_text(rcode)
    for error in response.extended_errors():
        said += f", extended error {int(error.code)}"
        if error.text:
            said += f": {error.text}"
    if rcode == dns.rcode.REFUSED:
        return LookupOutcome.REFUSED, said
    if rcode == dns.rcode.SERVFAIL and answers_unchecked:
        return LookupOutcome.INVALID, f"{said}, and an answer without validation (CD)"
    if rcode == dns.rcode.SERVFAIL and _is_bogus(response):
        return LookupOutcome.INVALID, said
    return LookupOutcome.FAILED, said


def _name_text(name: dns.name.Name) -> str:
    return name.to_text(omit_final_dot=True).lower()


def _text(record: dns.rdata.Rdata) -> str:
    """Return a record in presentation form, one form for all that say the same."""
    if isinstance(record, A | AAAA):
        return str(ipaddress.ip_address(record.address))
    if isinstance(record, TLSA):
        # RFC 6698, 2.2 lets white space stand within the digits.
        return f"{record.usage} {record.selector} {record.mtype} {record.cert.hex()}"
    if isinstance(record, PTR):
        return _name_text(record.target)
    return record.to_text()
