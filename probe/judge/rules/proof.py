"""Whether a server has shown that the key of the certificate it serves is its own.

A certificate is public: whoever has seen it can serve it. What tells the server from an impostor is
its signature over the handshake, and without that no client gets on.
"""

from collections import defaultdict
from collections.abc import Iterator

from probe.assessment import Verdict
from probe.judge.case import Case
from probe.judge.draft import Draft, Sighting, name_of, nodes_of, resting_on
from probe.judge.words import HOW, SERVICE, called, clip, listing, verb
from probe.observation.model import Endpoint, Outcome
from probe.plan.model import Acceptance


def key_unproven(case: Case, endpoint: Endpoint) -> Iterator[Draft]:
    """Yield a draft for each certificate of one kind of endpoint whose key was not proven.

    A wrong signature keeps every client out. Where none was seen, the server ended the handshake
    first: what clients meet is not known.
    """
    found: dict[tuple[str, bool, Acceptance | None], list[Sighting]] = defaultdict(list)
    rule_id = f"{endpoint.value}-key-unproven"
    for visit in case.visits(endpoint):
        served = visit.record.served
        # Beside a handshake that broke, how it ended is told by itself.
        ended = visit.record.outcome is not Outcome.SERVED
        if served is None or ended or not visit.nodes or visit.behind or served.key_proven:
            continue
        accepted = case.acceptance(rule_id, visit.nodes, visit.name)
        wrong = served.key_proven is False
        detail = clip(served.key_detail or "no signature over the handshake was seen")
        found[visit.chain[0], wrong, accepted].append(Sighting(visit, visit.chain[0], (), detail))
    for (leaf, wrong, accepted), sightings in found.items():
        says, remedy = _said(case, endpoint, wrong, leaf, nodes_of(case, sightings))
        draft = Draft(
            rule_id=rule_id,
            nodes=nodes_of(case, sightings),
            name=name_of(case, sightings) if endpoint is Endpoint.WEB else None,
            certificates=(leaf,),
            verdict_at_best=None if wrong else Verdict.UNSEEN,
            says=says,
            remedy=remedy,
            accepted=accepted,
        )
        yield resting_on(draft, sightings)


def _said(
    case: Case, endpoint: Endpoint, wrong: bool, leaf: str, nodes: tuple[str, ...]
) -> tuple[str, str | None]:
    """Return the sentence, and what to do where the catalogue does not say it."""
    how, service = HOW[endpoint], SERVICE[endpoint]
    shown = f"the certificate {called(case.facts[leaf])}"
    if wrong:
        return (
            f"{listing(nodes)} {verb(nodes, 'serves', 'serve')} {how} {shown}, and"
            f" {verb(nodes, 'signs', 'sign')} the handshake with another key than the one in it.",
            f"Import {shown} together with its own private key on {listing(nodes)}, then restart"
            f" the {service} there.",
        )
    return (
        f"{listing(nodes)} {verb(nodes, 'serves', 'serve')} {how} {shown}, and"
        f" {verb(nodes, 'ends', 'end')} the handshake before the key in it is proven.",
        None,
    )
