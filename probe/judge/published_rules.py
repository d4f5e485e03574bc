"""Entries of the catalogue for what is published of certificates by their date of issue, and for
what supplicants' makers require. Text only; `catalogue.py` makes rules of it."""

from probe.assessment import Verdict
from probe.records import dataclass


@dataclass(frozen=True, slots=True)
class Entry:
    """One rule, or one for each endpoint."""

    suffix: str
    """The id without the endpoint."""
    title: str
    meaning: str
    remedy: str
    source: str
    eap_source: str = ""
    """Where it is another one for EAP."""
    endpoints: tuple[str, ...] = ("web", "eap")
    floor: Verdict | None = Verdict.ADVISED
    objections: tuple[str, ...] = ()
    """What clients object to; empty: what the id says."""
    by_clients: bool = True
    """Whether the verdict follows from what clients do now."""


_BR = "CA/Browser Forum TLS Baseline Requirements 2.2.6"

_KEYS = ("key-below-1024", "key-below-2048", "key-odd-size", "key-curve", "key-kind")
_SIGNATURES = ("signature-weak",)


def _and_privately(objections: tuple[str, ...]) -> tuple[str, ...]:
    return (*objections, *(f"{objection}-privately" for objection in objections))


ENTRIES: tuple[Entry, ...] = (
    Entry(
        "anchor-expiring",
        "A CA certificate ends",
        "An issuing CA or a root of the path ends inside the plan's window for them: renewals have"
        " to come from its successor, which clients may have to be given first.",
        "Ask the CA for its next certificates, give clients the new root, import the new chain.",
        "RFC 5280, 4.1.2.5",
        floor=Verdict.DUE,
        by_clients=False,
    ),
    Entry(
        "lifetime-too-long",
        "The certificate lives too long",
        "A certificate of a public CA lives longer than was allowed on the day of its issue.",
        "Have it issued again with a lifetime that is allowed today, and import it.",
        f"{_BR}, 6.3.2",
        endpoints=("web",),
        objections=("lifetime-over-398", "lifetime-over-requirements"),
    ),
    Entry(
        "weak-key",
        "A key is too weak",
        "RSA below 2048 bits, or a curve that clients do not list, in the certificate or in a CA"
        " certificate on its path.",
        "Make a stronger key, have a certificate issued for it, and import both.",
        f"{_BR}, 6.1.5",
        eap_source=f"{_BR}, 6.1.5; Apple support 103769",
        objections=_and_privately(_KEYS),
    ),
    Entry(
        "weak-signature",
        "A signature is too weak",
        "The certificate or a CA certificate on its path is signed with SHA-1 or MD5.",
        "Have it issued again with a SHA-256 signature, and import it.",
        f"{_BR}, 7.1.3.2.1",
        objections=_and_privately(_SIGNATURES),
    ),
    Entry(
        "malformed",
        "A certificate is malformed",
        "Some parsers refuse the certificate, or part of it: their clients see none at all.",
        "Have the certificate issued again, and import it.",
        "RFC 5280, 4.1",
        objections=("malformed", "malformed-strictly"),
    ),
    Entry(
        "too-few-timestamps",
        "Too few logs have signed the certificate",
        "A certificate of a public CA brings fewer signed timestamps than browsers demand for its"
        " lifetime. Which logs are approved, and who runs them, is not looked at.",
        "Have the CA issue it again with enough timestamps in it, and import it.",
        "Chrome Certificate Transparency Policy; Apple support 103214",
        endpoints=("web",),
    ),
    Entry(
        "root-winding-down",
        "A root programme has set the root a date",
        "Certificates under this root that logs saw after the date are distrusted, so the present"
        " one is, or its renewal will be. The dates known here are not complete.",
        "Have a certificate issued by another public CA, and import it.",
        "Chrome Root Program",
        endpoints=("web",),
        objections=("root-distrusted", "root-winding-down"),
    ),
    Entry(
        "common-name-only",
        "The name stands in the subject only",
        "Clients read the alternative names alone, and the certificate has none for a server.",
        "Have it issued again with every name among its alternative names, and import it.",
        "RFC 9525, 2 and 6.1.1; RFC 9110, 4.3.4",
        endpoints=("web",),
    ),
    Entry(
        "public-root",
        "A public root for EAP, and no name is expected",
        "Whoever holds a certificate of a public CA could be the RADIUS server: without an expected"
        " name supplicants cannot tell.",
        "Name what the certificate carries in the plan and in every supplicant's profile.",
        "RFC 9190, 2.2",
        endpoints=("eap",),
    ),
    Entry(
        "empty-subject",
        "The EAP certificate has no subject",
        "One maker's published requirements want a subject that is not empty.",
        "Have it issued again with a common name, and import it.",
        "Microsoft, certificate requirements for PEAP and EAP",
        endpoints=("eap",),
    ),
    Entry(
        "no-alternative-names",
        "The EAP certificate has no DNS name",
        "Its name stands in the subject at best, which supplicants take as a last resort only.",
        "Have it issued again with the expected name as a DNS name, and import it.",
        "RFC 5216, 5.2",
        endpoints=("eap",),
    ),
    Entry(
        "override-disabled",
        "Users cannot accept what does not verify",
        "A policy in the certificate takes the prompt away: Windows clients that would warn block.",
        "Nothing has to be done; see that clients have root and names by profile.",
        "Microsoft, EAP changes in Windows 11",
        endpoints=("eap",),
        floor=None,
        by_clients=False,
    ),
)
