"""Rehearsal: a survey as it would be if some nodes served other certificates. Pure.

`judge(plan, swap(seen, certificates, nodes), at=...)` is the whole of it: whatever would be said of
certificates that are not imported yet, the same rules say it.
"""

from collections.abc import Collection, Sequence
from dataclasses import replace

from probe.certificate.facts import facts_of
from probe.observation.model import (
    Endpoint,
    Handshake,
    KeyFamily,
    Outcome,
    Phase,
    Served,
    Survey,
    fingerprint,
)

_STANDS_IN = "these certificates stand in for those that were served"


def swap(
    seen: Survey,
    certificates: Sequence[bytes],
    nodes: Collection[str],
    *,
    only: Collection[Endpoint] = (Endpoint.WEB, Endpoint.EAP),
) -> Survey:
    """Return a survey as if those nodes served these certificates.

    `certificates` are DER, in the order served, the server's own first. `only` names the endpoints
    that get them: both worlds, unless one is chosen. Changed is every visit there that showed a
    chain; what an import does not change stays as it was seen: a port that is closed, a visit
    whose hello offered another key family, and a virtual address that other nodes stand behind too.
    Of the new chain nothing was observed but that it is there, so rounds and cipher are unknown;
    that its key is imported with it is supposed.

    Raises ValueError without a certificate, and for a node that the survey says nothing of.
    """
    if not certificates:
        raise ValueError("there is no certificate to serve")
    known = {node for question in seen.questions for node in question.nodes}
    strange = sorted(set(nodes) - known)
    if strange:
        raise ValueError(f"the survey says nothing of {', '.join(strange)}")
    chain = tuple(fingerprint(der) for der in certificates)
    family = facts_of(certificates[0]).key_family

    def swapped(record: Handshake) -> Handshake:
        if record.endpoint in only and set(record.nodes) <= set(nodes):
            return _serving(record, chain, family)
        return record

    return replace(
        seen,
        handshakes=tuple(swapped(record) for record in seen.handshakes),
        certificates=seen.certificates | dict(zip(chain, certificates, strict=True)),
    ).trimmed()


def _serving(record: Handshake, chain: tuple[str, ...], family: KeyFamily) -> Handshake:
    if record.served is None or record.asked.key_family not in (None, family):
        return record
    return replace(
        record,
        outcome=Outcome.SERVED,
        phase=Phase.CERTIFICATE,
        detail=None,
        alert=None,
        round_trips=None,
        served=Served(
            chain,
            tls=record.served.tls,
            key_family=family,
            key_proven=True,
            key_detail=_STANDS_IN,
        ),
        eap=None if record.eap is None else replace(record.eap, fragments=()),
    )
