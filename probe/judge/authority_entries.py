"""Entries of the catalogue for what authorities say of certificates. Text only, as beside it."""

from probe.assessment import Verdict
from probe.judge.published_rules import Entry

_STAPLES = (
    "staple-stale",
    "staple-early",
    "staple-foreign",
    "staple-of-another",
    "staple-refused",
    "staple-unreadable",
)

AUTHORITY_ENTRIES: tuple[Entry, ...] = (
    Entry(
        "revoked",
        "A certificate was revoked",
        "Its CA has taken back the certificate, or a CA certificate on its path, as the CA's own"
        " signed list or answer says; clients that ask refuse it.",
        "Have a new certificate issued, import it, and restart the service.",
        "RFC 5280, 6.1.3 (a)(3) and 6.3; RFC 6960, 3.2",
        eap_source="RFC 5280, 6.1.3 (a)(3) and 6.3; RFC 6960, 3.2; RFC 9190, 5.4",
    ),
    Entry(
        "revocation-unknown",
        "Whether a certificate was revoked could not be learned",
        "The addresses in the certificate gave nothing that could be relied on: out of date, not"
        " signed by its issuer, or no answer at all. What is merely out of reach from here is"
        " unseen, and a certificate without such addresses is not meant.",
        "See to it that the CA publishes a current list, or answers, at the addresses it names.",
        "RFC 5280, 6.3.3; RFC 6960, 3.2 and 4.2.2.1",
        by_clients=False,
    ),
    Entry(
        "staple-missing",
        "A certificate that demands a staple comes without",
        "The certificate says that the server will always send an OCSP response with it, and the"
        " server does not: clients that keep to it refuse.",
        "Switch OCSP stapling on, and let the server reach the CA's responder.",
        "RFC 7633, 4.3.3",
        eap_source="RFC 7633, 4.3.3; RFC 9190, 5.4",
    ),
    Entry(
        "staple-bad",
        "The stapled OCSP response is of no use",
        "The server sends an OCSP response with its certificate that is out of date, about another"
        " certificate, or not signed by its issuer or a responder of that issuer.",
        "Let the server reach the CA's responder, and check its clock and chain; or switch stapling"
        " off.",
        "RFC 6066, 8; RFC 6960, 3.2",
        eap_source="RFC 6066, 8; RFC 6960, 3.2; RFC 9190, 5.4",
        objections=_STAPLES,
    ),
    Entry(
        "client-crl-stale",
        "A list of the clients' CA is out of date",
        "Servers that check whether client certificates were revoked fail closed: without a current"
        " list they refuse every client. It is seen from here, and not from the node.",
        "Have the CA publish a current list, and see that the nodes can fetch it.",
        "RFC 5280, 6.3.3; RFC 5216, 5.4",
        endpoints=("eap",),
        floor=Verdict.BLOCKED,
        by_clients=False,
    ),
    Entry(
        "client-ca-expiring",
        "A CA of the clients' certificates ends",
        "From its end on servers take no certificate that it issued.",
        "Give the nodes the CA's next certificate, and have clients' certificates issued by it.",
        "RFC 5280, 6.1.3 (a)(2)",
        endpoints=("eap",),
        floor=Verdict.DUE,
        by_clients=False,
    ),
)
