"""Nodes that call each other, and that are renewed together: the web certificate's other uses."""

from collections import defaultdict
from collections.abc import Iterator
from datetime import UTC, datetime

from probe.assessment import Verdict
from probe.certificate.facts import CertFacts
from probe.judge.case import Case, Visit
from probe.judge.clients.reactions import react
from probe.judge.draft import Draft, Sighting, nodes_of, resting_on
from probe.judge.likeness import comparable
from probe.judge.renewal import renewals
from probe.judge.rules.compare import compared
from probe.judge.standing import Standing
from probe.judge.words import called, day, listing, verb
from probe.observation.model import Endpoint
from probe.plan.model import Acceptance
from probe.records import replace

PURPOSE = "cluster-client-purpose"
RENEWED = "cluster-half-renewed"

_CLIENT = frozenset({"1.3.6.1.5.5.7.3.2", "2.5.29.37.0"})
"""clientAuth, and any purpose (RFC 5280, 4.2.1.12)."""

SERVER_ONLY = datetime(2027, 3, 15, tzinfo=UTC)
"""Chrome Root Program Policy 1.8, 1.3.2: what public CAs issue from this day on is for servers
alone."""


def client_purpose(case: Case) -> Iterator[Draft]:
    """Yield a draft for nodes that call others with a web certificate which is not for clients, and
    one for those whose certificate loses that purpose when it is renewed.

    Without an extended key usage a certificate is for every purpose (RFC 5280, 4.2.1.12).
    """
    lacking: dict[Acceptance | None, list[Sighting]] = defaultdict(list)
    losing: dict[Acceptance | None, list[Sighting]] = defaultdict(list)
    for visit in case.web:
        if not visit.own or not visit.chain or not case.nodes[visit.nodes[0]].web.used_as_client:
            continue
        leaf = case.leaf(visit)
        purposes = leaf.extended_key_usage
        if not leaf.readable or purposes is None or "extended key usage" in leaf.damaged:
            continue
        accepted = case.acceptance(PURPOSE, visit.nodes, None)
        if not _CLIENT & set(purposes):
            reacted = react(case.other_nodes, "client-purpose")
            says = "its extended key usage has no clientAuth"
            lacking[accepted].append(Sighting(visit, leaf.sha256, reacted, says))
        elif _renewed_without(case, visit, leaf):
            says = f"it ends on {day(leaf.not_after)}, and its successor is for servers alone"
            losing[accepted].append(Sighting(visit, leaf.sha256, (), says))
    for accepted, sightings in lacking.items():
        nodes = nodes_of(case, sightings)
        yield _purpose(
            case,
            sightings,
            accepted,
            says=f"{listing(nodes)} {verb(nodes, 'calls', 'call')} other nodes with"
            f" {_what(case, sightings)}, which is not made for clients.",
            remedy="Have it issued again with clientAuth beside serverAuth in its extended key"
            " usage, by a CA that does so (a private one), or give the calls a certificate of their"
            f" own, then restart the services on {listing(nodes)}.",
        )
    for accepted, sightings in losing.items():
        nodes = nodes_of(case, sightings)
        draft = _purpose(
            case,
            sightings,
            accepted,
            says=f"{listing(nodes)} {verb(nodes, 'calls', 'call')} other nodes with"
            f" {_what(case, sightings)}, of a public CA: from {day(SERVER_ONLY)} on such are issued"
            " for servers alone.",
            remedy=f"Before the renewal give the calls that {listing(nodes)} make a certificate of"
            " their own, of a private CA that the other nodes trust.",
        )
        ends = (case.facts[sha256].not_after for sha256 in draft.certificates)
        yield replace(
            draft,
            fault=("renewal", *draft.certificates),
            verdict_at_best=Verdict.DUE,
            due=min(end for end in ends if end is not None),
            clients=tuple(client.family for client in case.other_nodes),
        )


def _renewed_without(case: Case, visit: Visit, leaf: CertFacts) -> bool:
    """Whether the next renewal, which its end forces, comes when public CAs issue for servers only.

    What is issued from that day on has done without already.
    """
    if leaf.not_after is None or leaf.not_after < SERVER_ONLY:
        return False
    return case.standing(visit.chain[0]).standing is Standing.PUBLIC


def _what(case: Case, sightings: list[Sighting]) -> str:
    leaves = list(dict.fromkeys(sighting.visit.chain[0] for sighting in sightings))
    first = called(case.facts[leaves[0]])
    return f"the certificate {first}" if len(leaves) == 1 else f"certificates such as {first}"


def _purpose(
    case: Case, sightings: list[Sighting], accepted: Acceptance | None, *, says: str, remedy: str
) -> Draft:
    draft = Draft(
        rule_id=PURPOSE,
        nodes=nodes_of(case, sightings),
        certificates=tuple(dict.fromkeys(sighting.visit.chain[0] for sighting in sightings)),
        says=says,
        remedy=remedy,
        accepted=accepted,
    )
    return resting_on(draft, sightings)


def half_renewed(case: Case) -> Iterator[Draft]:
    """Yield a draft for each renewal of a web certificate that did not reach all nodes.

    Certificates with other names in each node are renewed one by one, and no two are compared.
    """
    # Names and key families that show the same nodes the same leaves are one comparison.
    merged: dict[frozenset[tuple[str, str]], tuple[Visit, ...]] = {}
    for _, visits in comparable(case, Endpoint.WEB):
        met = tuple(visit for visit in visits if not visit.behind)
        shown = frozenset((visit.nodes[0], visit.chain[0]) for visit in met)
        merged[shown] = (*merged.get(shown, ()), *met)
    for visits in merged.values():
        for one in renewals(case, visits):
            says = (
                f"{listing(one.renewed)} {verb(one.renewed, 'serves', 'serve')} over HTTPS the"
                f" renewed certificate {called(one.newest)} (until {day(one.newest.not_after)}),"
                f" and {listing(one.behind)} still the one before it (until {day(one.ends)})."
            )
            draft = compared(case, RENEWED, one.visits, one.by_leaf, says, ())
            yield replace(one.mended(case, draft, "web"), due=one.ends)
