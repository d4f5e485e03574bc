"""What is true of nodes together: whether they accept each other, and all cover what they serve."""

from collections import defaultdict
from collections.abc import Iterator

from probe.judge.case import Case
from probe.judge.clients.reactions import react
from probe.judge.draft import Draft, Sighting, nodes_of, resting_on
from probe.judge.objections import TRUST
from probe.judge.rules.web import shows_own_chain
from probe.judge.strict import no_way_out
from probe.judge.words import called, listing, quoted_name, verb
from probe.plan.model import Acceptance

_Refusal = tuple[str, tuple[str, ...], Acceptance | None]
"""Which objection, what it is about, and whether it is known."""


def join_untrusted(case: Case) -> Iterator[Draft]:
    """Yield a draft for each cause for which other nodes would refuse a node's certificate."""
    clients = case.other_nodes
    causes: dict[_Refusal, list[Sighting]] = defaultdict(list)
    for visit in case.web if clients else ():
        if not visit.own or not visit.chain or not case.leaf(visit).readable:
            continue
        explanation = case.explain(visit, clients[0].family, trusted=case.node_anchors)
        accepted = case.acceptance("cluster-join-untrusted", visit.nodes, visit.name)
        for problem in explanation.problems:
            if problem.kind in TRUST:
                reacted = react(clients, problem.kind)
                sighting = Sighting(visit, problem.certificate, reacted, problem.says)
                about = case.missing(visit, explanation) or (explanation.ends_in,)
                causes[problem.kind, about, accepted].append(sighting)
        match = case.covers(visit, visit.name)
        if not match.covered:
            sighting = Sighting(visit, visit.chain[0], react(clients, "name-mismatch"), match.why)
            causes["name-mismatch", (visit.chain[0],), accepted].append(sighting)
    for (kind, about, accepted), sightings in causes.items():
        nodes = nodes_of(case, sightings)
        leaves = tuple(dict.fromkeys(sighting.visit.chain[0] for sighting in sightings))
        shown = called(case.facts[leaves[0]])
        serving = f"{listing(nodes)} {verb(nodes, 'serves', 'serve')}"
        why, remedy = _refused(case, kind, about, nodes)
        draft = Draft(
            rule_id="cluster-join-untrusted",
            nodes=nodes,
            certificates=leaves,
            fault=(kind, *about),
            says=f"Other nodes would not accept {shown}, which {serving}: {why}.",
            remedy=f"Before {listing(nodes)} {verb(nodes, 'joins', 'join')}, {remedy}.",
            accepted=accepted,
        )
        yield resting_on(draft, sightings)


def _refused(
    case: Case, kind: str, about: tuple[str, ...], nodes: tuple[str, ...]
) -> tuple[str, str]:
    """Return why other nodes refuse a certificate, and what to do, as clauses."""
    match kind:
        case "name-mismatch":
            hosts = listing([case.host(node) for node in nodes])
            return f"it lacks {hosts}", f"import a certificate that carries {hosts}"
        case "self-signed":
            return "it is its own issuer", "import a certificate issued by a CA that nodes trust"
        case "chain-incomplete":
            lacking = listing([quoted_name(name) for name in about])
            return (
                f"it comes without the CA certificate {lacking}, and they fetch none",
                f"import the CA certificate {lacking} there together with the server's certificate",
            )
        case _:
            root = quoted_name(about[0])
            return (
                f"they have no root that it leads to ({root})",
                f"import the CA certificates up to {root} into the trusted certificates of the"
                " other nodes",
            )


def name_uncovered(case: Case) -> Iterator[Draft]:
    """Yield a draft for each service name and port that nodes serve and do not cover."""
    causes: dict[tuple[str, int, Acceptance | None], list[Sighting]] = defaultdict(list)
    for visit in case.web:
        service = visit.service
        if service is None or visit.virtual or not visit.chain or visit.name is None:
            continue
        leaf = case.leaf(visit)
        match = case.covers(visit, visit.name)
        if match.covered or not leaf.readable or not shows_own_chain(case, service.name):
            continue
        reacted = react(case.browsers(service.audience), "name-mismatch")
        reacted = no_way_out(case.strict, visit.name, reacted)
        accepted = case.acceptance("cluster-name-uncovered", visit.nodes, visit.name)
        sighting = Sighting(visit, visit.chain[0], reacted, match.why)
        causes[visit.name, visit.asked.port, accepted].append(sighting)
    for (name, port, accepted), sightings in causes.items():
        nodes = nodes_of(case, sightings)
        leaves = tuple(dict.fromkeys(sighting.visit.chain[0] for sighting in sightings))
        draft = Draft(
            rule_id="cluster-name-uncovered",
            nodes=nodes,
            name=name,
            certificates=leaves,
            fault=(str(port), *leaves),
            says=f"{listing(nodes)} {verb(nodes, 'serves', 'serve')} {name} on port {port} with"
            f" {called(case.facts[leaves[0]])}, which does not cover it.",
            remedy=f"Import a certificate that carries {name} on {listing(nodes)}, then restart the"
            " web service there.",
            accepted=accepted,
        )
        yield resting_on(draft, sightings)
