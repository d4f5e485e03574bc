"""Every certificate that was seen: who sends it, what it says, and the thing itself."""

from collections.abc import Iterator

from markupsafe import Markup

from probe.certificate.facts import CertFacts
from probe.records import dataclass
from probe.report.document import pem
from probe.report.escape import SENTENCES, visible
from probe.report.terminal import words
from probe.report.terminal.view import View

_PURPOSES = {
    "1.3.6.1.5.5.7.3.1": "server authentication",
    "1.3.6.1.5.5.7.3.2": "client authentication",
    "1.3.6.1.5.5.7.3.9": "OCSP signing",
    "2.5.29.37.0": "any",
}
"""RFC 5280, 4.2.1.12."""

NAMES = 200
"""Names of one certificate that are shown; the PEM has all."""

_PUBLIC = {"yes": "a public CA's", "no": "no public CA's", "unknown": "not known whether public"}


@dataclass(frozen=True, slots=True)
class Certificate:
    """One certificate as it stands on the page."""

    sha256: str
    title: str
    sent: str
    """Who sends it."""
    until: str
    nodes: tuple[str, ...]
    endpoints: tuple[str, ...]
    fields: tuple[tuple[str, tuple[str, ...]], ...]
    pem: Markup
    """In lines, as it is: base64 has no markup."""


def certificates(view: View) -> tuple[Certificate, ...]:
    """Return them in the order in which what is served names them, others behind."""
    assessment = view.assessment
    served = [sha256 for row in assessment.served for sha256 in row.chain]
    ordered = dict.fromkeys((*served, *sorted(assessment.survey.certificates)))
    return tuple(
        _certificate(view, sha256, assessment.facts[sha256], assessment.survey.certificates[sha256])
        for sha256 in ordered
        if sha256 in assessment.facts and sha256 in assessment.survey.certificates
    )


def _certificate(view: View, sha256: str, facts: CertFacts, der: bytes) -> Certificate:
    rows = [row for row in view.assessment.served if sha256 in row.chain]
    serving = {node for row in rows for node in row.nodes}
    nodes = tuple(node for node in view.plan if node in serving)
    kinds = tuple(dict.fromkeys(row.endpoint for row in rows))
    if nodes:
        by = words.all_of([words.endpoint(kind) for kind in kinds])
        sent = f"sent by {view.every_node(nodes)}, {by}"
    elif sha256 in view.assessment.fetched_from:
        sent = f"found at {visible(view.assessment.fetched_from[sha256])}; nobody sends it"
    else:
        sent = "seen in a further question"
    return Certificate(
        sha256=sha256,
        title=view.subject(sha256),
        sent=sent,
        until=f"{visible(facts.key)}; until {words.day(facts.not_after)}",
        nodes=nodes,
        endpoints=tuple(kind.value for kind in kinds),
        fields=tuple(_fields(view, facts)),
        pem=Markup(pem(der)),  # noqa: S704  # nothing but letters, digits, +, / and =
    )


def _fields(view: View, facts: CertFacts) -> Iterator[tuple[str, tuple[str, ...]]]:
    yield "Subject", (visible(facts.subject, SENTENCES) or "(empty)",)
    yield "Issuer", (visible(facts.issuer, SENTENCES) or "(empty)",)
    if facts.names:
        names = [f"{visible(name.value)}{_kind(name.type)}" for name in facts.names[:NAMES]]
        if len(facts.names) > NAMES:
            names.append(f"and {len(facts.names) - NAMES} more, in the PEM")
        yield "Names", tuple(names)
    yield "Valid", (f"{_moment(facts, 'not_before')} to {_moment(facts, 'not_after')}",)
    yield "Key", (visible(facts.key),)
    yield "Signature", (visible(facts.signature),)
    yield "Serial number", (visible(facts.serial) or "(none)",)
    yield "SHA-256", (facts.sha256,)
    if facts.is_ca:
        limit = "" if facts.path_length is None else f", path length {facts.path_length}"
        yield "Authority", (f"it may issue certificates{limit}",)
    if facts.key_usage:
        yield "Key usage", (words.all_of(facts.key_usage),)
    if facts.extended_key_usage:
        purposes = [_PURPOSES.get(oid, oid) for oid in facts.extended_key_usage]
        yield "Purposes", (words.all_of(purposes),)
    yield "Public", (_PUBLIC.get(view.assessment.public.get(facts.sha256, ""), "not known"),)
    if facts.oddities:
        yield "Odd", tuple(visible(oddity) for oddity in facts.oddities)


def _kind(kind: str) -> str:
    return "" if kind == "dns" else f" ({visible(kind)})"


def _moment(facts: CertFacts, end: str) -> str:
    moment = facts.not_before if end == "not_before" else facts.not_after
    return "unknown" if moment is None else words.time(moment)
