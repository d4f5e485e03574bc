"""What a DNS response says about a name. Pure: a message in, an outcome out.

Terms are those of RFC 2308 (negative answers, referrals) and RFC 8499 (lame).
"""

import ipaddress
import socket
from functools import lru_cache

import dns.flags
import dns.rcode
import dns.rdatatype

from probe.limits import Limits
from probe.observation.model import LookupOutcome
from probe.observe.message import MessageError, Record, Response, name_octets, name_text

_PROVEN = frozenset(
    {
        LookupOutcome.ANSWERED,
        LookupOutcome.NO_NAME,
        LookupOutcome.NO_DATA,
        LookupOutcome.ALIAS_BROKEN,
    }
)
"""Outcomes that rest on data or on an absence, which a resolver can validate (RFC 4035, 3.2.3)."""

_DECLINED = frozenset({int(dns.rcode.REFUSED), int(dns.rcode.NOTIMP)})
"""A server does not want to answer, or has not learnt to, such questions (RFC 1035, 4.1.1)."""

_BOGUS = frozenset(range(6, 13))
"""The extended errors by which a resolver tells that validation failed: bogus; a signature that has
ended or not begun; a key or signatures that are missing; a key that is none of the zone; proof that
is missing (RFC 8914, 4.7 to 4.13)."""


# Plain numbers, as arithmetic with the members of an enumeration is slow.
_AA, _RA, _AD = int(dns.flags.AA), int(dns.flags.RA), int(dns.flags.AD)
_NXDOMAIN = int(dns.rcode.NXDOMAIN)
_ANSWERS = frozenset({int(dns.rcode.NOERROR), _NXDOMAIN})
_A, _AAAA = int(dns.rdatatype.A), int(dns.rdatatype.AAAA)
_CNAME, _NS, _SOA = int(dns.rdatatype.CNAME), int(dns.rdatatype.NS), int(dns.rdatatype.SOA)


@lru_cache(maxsize=64)
def _type_number(text: str) -> int:
    return int(dns.rdatatype.from_text(text))


class Trail:
    """The way from a name to its records, over aliases, through as many responses as it takes.

    `read` each response in turn; while it returns False, ask for `name` next. Once it has
    returned True, `outcome` and the rest hold the answer.
    """

    def __init__(self, name: str, record_type: str, limits: Limits) -> None:
        self.name = name_octets(name)
        """The name to ask for next."""
        self.type = _type_number(record_type)
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

    def read(self, response: Response) -> bool:
        """Take in a response to a question for `name`. Return True if nothing is left to ask."""
        if not is_answer(response):
            return self._end(*_failure(response, self.answers_unchecked))
        self._secure = self._secure and bool(response.flags & _AD)
        before = len(self.aliases)
        try:
            while True:
                records = self._records(response, self.type)
                if records:
                    return self._answered(response, records)
                aliases = self._records(response, _CNAME)
                if not aliases:
                    break
                if self._follow(response, aliases[0]):
                    return True
        except MessageError as error:
            says = f"a record of the answer cannot be read: {error}"
            return self._end(LookupOutcome.MALFORMED, says)
        if response.rcode == _NXDOMAIN:
            return self._no_name()
        if any(record.type == _SOA for record in response.authority):
            # RFC 2308, 2.2: an SOA in the authority section marks "no data".
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

    def _records(self, response: Response, record_type: int) -> list[Record]:
        name = self.name
        return [
            record
            for record in response.answer
            if record.type == record_type and record.owner == name
        ]

    def _answered(self, response: Response, records: list[Record]) -> bool:
        """Take in what was asked for. Raises MessageError if it cannot be read."""
        self._lifetimes.append(min(record.lifetime for record in records))
        found, unread = set(), 0
        for record in records:
            try:
                found.add(_text(response, record))
            except MessageError:
                # RFC 6698, 4.1: such a record is left out, and the others count.
                if self.type != dns.rdatatype.TLSA:
                    raise
                unread += 1
        texts = sorted(found)
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

    def _follow(self, response: Response, alias: Record) -> bool:
        """Go on to an alias's target. Return True if that is where the way ends.

        RFC 2181, 10.1: an alias has exactly one canonical name. Of several the first is followed.
        """
        self.name = response.target(alias)
        self.aliases.append(name_text(self.name))
        self._lifetimes.append(alias.lifetime)
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

    def _no_records(self, response: Response) -> bool:
        authoritative = response.flags & _AA
        if any(record.type == _NS for record in response.authority):
            if not authoritative:
                # RFC 2308, 2.2: name servers and no SOA is a referral, no answer.
                return self._end(LookupOutcome.LAME, "refers to other name servers")
        elif not authoritative and not response.flags & _RA:
            return self._end(
                LookupOutcome.LAME, "an empty answer without authority and without recursion"
            )
        return self._end(LookupOutcome.NO_DATA)

    def _end(self, outcome: LookupOutcome, detail: str | None = None) -> bool:
        self.outcome, self.detail = outcome, detail
        return True


def is_unexplained(response: Response) -> bool:
    """Whether a resolver fails and does not say whether it is validation that failed."""
    return response.rcode == dns.rcode.SERVFAIL and not _is_bogus(response)


def is_answer(response: Response) -> bool:
    """Whether it says what there is, or that there is nothing."""
    return response.rcode in _ANSWERS


def _is_bogus(response: Response) -> bool:
    return any(error.code in _BOGUS for error in response.extended_errors())


def _failure(response: Response, answers_unchecked: bool) -> tuple[LookupOutcome, str]:
    said = dns.rcode.to_text(dns.rcode.Rcode.make(response.rcode))
    for error in response.extended_errors():
        said += f", extended error {error.code}"
        if error.text:
            said += f": {error.text}"
    if response.rcode in _DECLINED:
        return LookupOutcome.REFUSED, said
    if response.rcode == dns.rcode.SERVFAIL and answers_unchecked:
        return LookupOutcome.INVALID, f"{said}, and an answer without validation (CD)"
    if response.rcode == dns.rcode.SERVFAIL and _is_bogus(response):
        return LookupOutcome.INVALID, said
    return LookupOutcome.FAILED, said


def _text(response: Response, record: Record) -> str:
    """Return a record in presentation form, one form for all that say the same.

    Raises MessageError if it cannot be read.
    """
    if record.type in (_A, _AAAA):
        return _address(response.octets(record), record.type)
    from dns.rdtypes.ANY.PTR import PTR  # noqa: PLC0415  # they take the library along
    from dns.rdtypes.ANY.TLSA import TLSA  # noqa: PLC0415

    data = response.data(record)
    if isinstance(data, TLSA):
        # RFC 6698, 2.2 lets white space stand within the digits.
        return f"{data.usage} {data.selector} {data.mtype} {data.cert.hex()}"
    if isinstance(data, PTR):
        return data.target.to_text(omit_final_dot=True).lower()
    return data.to_text()


def _address(octets: bytes, record_type: int) -> str:
    if len(octets) != (4 if record_type == _A else 16):
        raise MessageError("an address of the wrong length")
    if record_type == _A:
        return socket.inet_ntoa(octets)
    # RFC 5952, as the plan's addresses are written.
    return str(ipaddress.IPv6Address(octets))
