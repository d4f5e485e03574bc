"""Entries of the catalogue for names: what resolvers say of them, and what DNS says of certificates
and of who may issue them. Text only; `catalogue.py` makes rules of it."""

from probe.assessment import Basis, Verdict
from probe.judge.web_rules import Beside

NAMES: tuple[Beside, ...] = (
    Beside(
        "dns-no-address",
        "A name has no address",
        "A name of the plan has neither an A nor an AAAA record: whoever opens it goes nowhere.",
        "Add an A or AAAA record for the name to its zone.",
        "RFC 2308, 2",
        Verdict.BLOCKED,
    ),
    Beside(
        "dns-wrong-address",
        "A name leads elsewhere",
        "A name resolves, but to none of the addresses that the plan has for it.",
        "Correct the address records of the name, or the addresses in the plan.",
        "RFC 1035, 3.4.1; RFC 3596, 2.1",
        Verdict.BLOCKED,
    ),
    Beside(
        "dns-partly-wrong",
        "A name leads elsewhere at times, or not everywhere",
        "Some addresses in the answers are not the plan's, or some of the plan's are in no answer:"
        " clients choose among what they are given.",
        "Correct the address records of the name, or the addresses in the plan; if some of them are"
        ' enough, say so in the plan (answers = "any-of").',
        "RFC 1034, 3.6; RFC 6724, 6",
        Verdict.WARNED,
    ),
    Beside(
        "dns-views-differ",
        "One view lacks what another has",
        "Resolvers of several views give different addresses, and it is no clean split: one lacks"
        " some that the plan has, and another gives.",
        "Bring the zone of the view that lacks them in line with the other.",
        "RFC 9499, 6 (formerly RFC 8499)",
        Verdict.WARNED,
        Basis.COMMON_PRACTICE,
    ),
    Beside(
        "dns-broken-alias",
        "An alias leads nowhere",
        "A name is an alias (CNAME) of one that does not exist, that leads back to it, or that is"
        " too many aliases away.",
        "Let the alias point to a name that has addresses, or give the name addresses of its own.",
        "RFC 1034, 3.6.2; RFC 2308, 2.1",
        Verdict.BLOCKED,
    ),
    Beside(
        "dns-no-answer",
        "A resolver gave no usable answer",
        "A resolver was silent, refused or failed, so nothing is known of what its clients see.",
        "Check that the resolver runs, reaches the zone's servers and answers this machine.",
        "RFC 1035, 4.1.1; RFC 4035, 5.5",
        Verdict.UNSEEN,
    ),
    Beside(
        "dns-reverse-differs",
        "An address does not lead back to its name",
        "The reverse record (PTR) of an address is absent, names another host, or names one that"
        " does not have this address.",
        "Nothing has to be done; logs and some administrators' tools are easier to read with it.",
        "RFC 1912, 2.1",
        None,
        Basis.COMMON_PRACTICE,
    ),
    Beside(
        "dns-caa-forbids",
        "CAA does not admit the CA of the certificate",
        "The CAA records that count for a name of the certificate do not admit the public CA that"
        " issued it: the next renewal fails.",
        "Add the CA's issuer domain name to the CAA records, or renew with a CA that they admit.",
        "RFC 8659, 3 and 4; CA/Browser Forum BR, 3.2.2.8",
        Verdict.DUE,
    ),
    Beside(
        "dns-unserved-family",
        "A published address family is not served",
        "A name has both A and AAAA records, and its server does not answer at the addresses of one"
        " of the two: clients that have this family alone get nowhere.",
        "Let the server answer at those addresses, or take their records out of the zone.",
        "RFC 8305, 3 and 5",
        Verdict.ADVISED,
    ),
    Beside(
        "dns-wildcard-answer",
        "A name exists through a wildcard only",
        "A name beside it that nobody planned gets the same answer, so that a slip in the name is"
        " not noticed, and no record of its own can be removed.",
        "Nothing has to be done; give the name records of its own if it is to stand by itself.",
        "RFC 4592, 2",
        None,
    ),
    Beside(
        "dns-tlsa-mismatch",
        "TLSA records do not match the certificate",
        "Signed TLSA records stand for the name, and none of them matches what is served: clients"
        " that look there refuse the certificate.",
        "Publish a TLSA record for the certificate that is served, before the next is imported.",
        "RFC 6698, 2.1 and 4.1; RFC 7671, 8.1",
        Verdict.ADVISED,
    ),
)
