"""What was to be imported beside what is served: node by node, before any rule speaks.

Which endpoint a certificate is meant for follows from its names and its root, as for a bundle that
is not imported yet; where these leave it open, from where it is served. Which nodes are meant:
those whose own names it carries, or else all at which a name of it is opened or expected.
"""

from collections import Counter, defaultdict
from collections.abc import Hashable, Iterable, Iterator, Mapping
from datetime import timedelta

from probe.assessment import Expectation, ExpectedAt, Stage
from probe.certificate.container import Expected
from probe.certificate.facts import CertFacts, facts_of
from probe.judge.bundle.meant import meant
from probe.judge.case import REFERENCE, Case, Visit
from probe.judge.names import covers
from probe.judge.path import explain_path
from probe.judge.trust import anchors
from probe.judge.words import called, clip
from probe.observation.model import Aspect, Endpoint, fingerprint
from probe.records import dataclass, replace

ENDPOINTS = (Endpoint.WEB, Endpoint.EAP, Endpoint.RADSEC)

_NOBODYS = frozenset({Aspect.CANARY, Aspect.LED})
"""Questions that name nodes, and go elsewhere."""

_LATER_BY = timedelta(days=1)
"""What is issued so much later than another one was made to replace it, and not to stand beside."""


@dataclass(frozen=True, slots=True)
class At:
    """What one node shows on the endpoint that a certificate is meant for."""

    node: str
    endpoint: Endpoint
    showing: tuple[Visit, ...]
    """Visits that show the certificate."""
    others: tuple[Visit, ...]
    """Visits that show another one."""
    elsewhere: tuple[Visit, ...]
    """Visits of the node's other endpoints that show the certificate."""
    beside: tuple[Visit, ...] = ()
    """Those of the others that show another one of the same key family at the very place."""
    left: tuple[Visit, ...] = ()
    """Those of the others that show at the very place one of the other key family which this one
    was to replace."""
    lacking: tuple[Visit, ...] = ()
    """Visits that show the certificate without a CA certificate that was to come with it."""

    @property
    def stage(self) -> Stage:
        """How far the import has come."""
        if self.showing:
            partly = self.beside or self.left or self.lacking
            return Stage.PARTLY if partly else Stage.SERVED
        if self.elsewhere:
            return Stage.ELSEWHERE
        return Stage.NOT_SERVED if self.others else Stage.UNSEEN


@dataclass(frozen=True, slots=True)
class Awaited:
    """One certificate that was to be imported, and what each node that is meant shows."""

    expected: Expected
    leaf: CertFacts | None
    """None: only its fingerprint is known, and nobody serves it."""
    settled: bool
    """Whether it is known which endpoint it is meant for."""
    at: tuple[At, ...]

    @property
    def key(self) -> str:
        """What tells it from any other."""
        return self.leaf.sha256 if self.leaf is not None else self.expected.fingerprint or ""

    @property
    def title(self) -> str:
        """What it is called in a sentence."""
        if self.leaf is None:
            return f"with the fingerprint {self.key[:16]}..."
        return f"{called(self.leaf)} (SHA-256 {self.leaf.sha256[:16]}...)"

    def told(self) -> Expectation:
        """Return it for the reports."""
        leaf = self.leaf
        known = self.expected.fingerprint or ""
        return Expectation(
            title=called(leaf).strip('"') if leaf is not None else clip(known),
            certificate=leaf.sha256 if leaf else known if len(known) == 64 else None,
            until=leaf.not_after if leaf else None,
            chain_known=len(self.expected.certificates) > 1,
            at=tuple(
                ExpectedAt(
                    one.node,
                    one.endpoint,
                    one.stage,
                    tuple(dict.fromkeys(v.chain[0] for v in (*one.showing, *one.others))),
                )
                for one in self.at
            ),
        )


def awaited(case: Case) -> tuple[Awaited, ...]:
    """Return what was to be imported, each certificate once."""
    return case.once(awaited, lambda: _all_awaited(case))


def _all_awaited(case: Case) -> tuple[Awaited, ...]:
    served = {v.chain[0] for endpoint in ENDPOINTS for v in case.visits(endpoint) if v.chain}
    pool = case.survey.certificates
    leaves = {
        expected: frozenset(sha256 for sha256 in served if expected.is_leaf(pool[sha256]))
        for expected in case.expected.certificates
    }
    every = frozenset().union(*leaves.values())
    found = {
        one.key: one
        for one in (_awaited(case, expected, shown, every) for expected, shown in leaves.items())
    }
    return tuple(found.values())


def _awaited(
    case: Case, expected: Expected, leaves: frozenset[str], every: frozenset[str]
) -> Awaited:
    """Return how one certificate is served. `leaves` are those served that it is: itself or none;
    `every` are those that are expected at all."""
    shown = {
        endpoint: tuple(v for v in case.visits(endpoint) if v.chain and v.chain[0] in leaves)
        for endpoint in ENDPOINTS
    }
    leaf, chain = _known(case, expected, shown)
    endpoints = _endpoints(case, leaf, chain, shown)
    nodes = {kind: _nodes(case, leaf, kind, shown[kind]) for kind in endpoints}
    showing = {endpoint: _by_node(shown[endpoint]) for endpoint in ENDPOINTS}
    others = {
        endpoint: _by_node(
            v
            for v in case.visits(endpoint)
            if v.chain and v.chain[0] not in leaves and not v.virtual
        )
        for endpoint in endpoints
    }
    at = tuple(
        _at(
            case,
            expected,
            leaf,
            every,
            At(
                node,
                endpoint,
                showing=tuple(showing[endpoint][node]),
                others=tuple(others[endpoint][node]),
                elsewhere=tuple(
                    visit
                    for other in ENDPOINTS
                    if other is not endpoint
                    for visit in showing[other][node]
                ),
            ),
        )
        for node in case.node_order
        for endpoint in endpoints
        if node in nodes[endpoint]
    )
    return Awaited(expected, leaf, len(endpoints) == 1, tuple(_without_own(case, leaf, at)))


def _by_node(visits: Iterable[Visit]) -> dict[str, list[Visit]]:
    found: dict[str, list[Visit]] = defaultdict(list)
    for visit in visits:
        for node in visit.nodes:
            found[node].append(visit)
    return found


def _without_own(case: Case, leaf: CertFacts | None, at: tuple[At, ...]) -> Iterator[At]:
    """Leave out nodes that have certificates of their own, where each node has: one alone shows
    this one, and theirs are no older."""
    serving = Counter(one.endpoint for one in at if one.showing)
    holders: dict[str, set[str]] = defaultdict(set)
    for one in at:
        for visit in one.others:
            holders[visit.chain[0]].add(one.node)
    for one in at:
        alone = serving[one.endpoint] == 1
        if alone and leaf is not None and one.stage is Stage.NOT_SERVED:
            theirs = {visit.chain[0] for visit in one.others}
            own = all(len(holders[sha256]) == 1 for sha256 in theirs)
            if own and not any(_later(leaf, case.facts[sha256]) for sha256 in theirs):
                continue
        yield one


def _known(
    case: Case, expected: Expected, shown: Mapping[Endpoint, tuple[Visit, ...]]
) -> tuple[CertFacts | None, tuple[bytes, ...]]:
    """Return the certificate and its chain, out of the survey where only a fingerprint is known."""
    if expected.leaf is not None:
        return facts_of(expected.leaf), expected.certificates
    for visits in shown.values():
        for visit in visits:
            pool = case.survey.certificates
            return case.leaf(visit), tuple(pool[sha256] for sha256 in visit.chain)
    return None, ()


# ---------------------------------------------------------------- what it is meant for


def _endpoints(
    case: Case,
    leaf: CertFacts | None,
    chain: tuple[bytes, ...],
    shown: Mapping[Endpoint, tuple[Visit, ...]],
) -> tuple[Endpoint, ...]:
    if case.expected.endpoint is not None:
        return (case.expected.endpoint,)
    fitting = frozenset({Endpoint.WEB, Endpoint.EAP})
    if leaf is not None:
        leads = _leads(case, chain)
        shown_at = {endpoint for endpoint, visits in shown.items() if visits}
        if Endpoint.RADSEC in (shown_at or leads) and not shown_at & fitting:
            # RadSec is a world of its own, with other roots: what is seen there, and nowhere else,
            # is meant for it, whatever names it has in common with the others.
            alone = bool(shown_at) or leads == {Endpoint.RADSEC}
            fitting = frozenset({Endpoint.RADSEC}) if alone else fitting
        if fitting != {Endpoint.RADSEC}:
            fitting = meant(case.whole, leaf, leads=leads).endpoints
    if len(fitting) > 1:
        serving = frozenset(endpoint for endpoint in fitting if shown[endpoint])
        fitting = serving or fitting
    return tuple(endpoint for endpoint in ENDPOINTS if endpoint in fitting)


def _leads(case: Case, chain: tuple[bytes, ...]) -> frozenset[Endpoint]:
    """Return the endpoints to whose clients' roots the chain leads."""
    trust = case.whole.trust
    of = {
        Endpoint.WEB: anchors(*dict.fromkeys((*trust.web, *trust.staff)), name="staff"),
        Endpoint.EAP: anchors(*trust.eap, name="eap"),
        Endpoint.RADSEC: anchors(*case.whole.radsec_roots, name="radsec"),
    }
    extra = tuple(
        case.survey.certificates[sha256] for sha256, facts in case.facts.items() if facts.is_ca
    )
    return frozenset(
        endpoint
        for endpoint, roots in of.items()
        if explain_path(
            chain, name=None, anchors=roots, family=REFERENCE[endpoint], at=case.at, extra=extra
        ).anchor
        in roots
    )


def _asked(case: Case, endpoint: Endpoint) -> frozenset[str]:
    """Return the nodes that were asked on an endpoint, whatever they answered."""
    return frozenset(
        node
        for question in case.survey.questions
        if question.endpoint is endpoint
        and question.handshake is not None
        and question.handshake.aspect not in _NOBODYS
        for node in question.nodes
    )


def _nodes(
    case: Case,
    leaf: CertFacts | None,
    endpoint: Endpoint,
    showing: tuple[Visit, ...],
) -> frozenset[str]:
    asked = _asked(case, endpoint)
    if leaf is None:
        return asked
    own = {node for node in asked if covers(leaf, case.host(node)).covered}
    if endpoint is Endpoint.EAP:
        # A name that all supplicants expect may be that of one of the nodes.
        own -= {node for node in own if case.host(node) in _expected(case, node)}
        named = {
            node
            for node in asked
            if any(covers(leaf, name).covered for name in _expected(case, node))
        }
    elif endpoint is Endpoint.RADSEC:
        # No plan says that nodes share one: it is for those that serve one of the same names, and
        # where nobody shows it for those whose own names it has.
        own = set() if showing else own
        named = {
            node
            for visit in case.radsec
            if visit.chain and set(case.leaf(visit).names) == set(leaf.names)
            for node in visit.nodes
        }
    else:
        named = {
            node
            for service in case.whole.services
            if service.endpoint is Endpoint.WEB and covers(leaf, service.name).covered
            for node in service.nodes
        }
    meant_nodes = own or (named & asked) or asked
    return frozenset(meant_nodes | {node for visit in showing for node in visit.nodes})


def _expected(case: Case, node: str) -> tuple[str, ...]:
    eap = case.nodes[node].eap
    return eap.expected_names if eap is not None else ()


# ---------------------------------------------------------------- what is seen


def _at(
    case: Case, expected: Expected, leaf: CertFacts | None, every: frozenset[str], seen: At
) -> At:
    """Return what one node shows, with what is amiss in it."""
    places = {_place(visit) for visit in seen.showing}
    at_place = [visit for visit in seen.others if _place(visit) in places]
    if leaf is None:
        return seen
    family = leaf.key_family
    return replace(
        seen,
        beside=tuple(v for v in at_place if case.leaf(v).key_family is family),
        left=tuple(
            visit
            for visit in at_place
            if visit.chain[0] not in every
            and case.leaf(visit).key_family is not family
            and _left(case, leaf, case.leaf(visit))
        ),
        lacking=tuple(visit for visit in seen.showing if lacking(expected, visit)),
    )


def _place(visit: Visit) -> Hashable:
    return visit.place, visit.record.nodes


def lacking(expected: Expected, visit: Visit) -> tuple[str, ...]:
    """Return the CA certificates that were to come with a certificate, and do not; a root need not.

    More may come than was expected: the server had it before.
    """
    return tuple(
        sha256
        for sha256, facts in ((fingerprint(der), facts_of(der)) for der in expected.certificates)
        if not facts.self_signed and sha256 not in visit.chain
    )


def _left(case: Case, leaf: CertFacts, other: CertFacts) -> bool:
    """Whether a certificate of the other key family was to be replaced as well.

    A pair may come from two CAs and be renewed each at its own time: then the other one is left
    alone until its own renewal is due.
    """
    if _later(other, leaf):
        return False
    return leaf.issuer_raw == other.issuer_raw or _overdue(case, other)


def _later(one: CertFacts, other: CertFacts) -> bool:
    """Whether one begins so much later that it was made to replace the other."""
    if one.not_before is None or other.not_before is None:
        return False
    return one.not_before - other.not_before >= _LATER_BY


def _overdue(case: Case, leaf: CertFacts) -> bool:
    if leaf.not_before is None or leaf.not_after is None:
        return True
    return case.at >= leaf.not_after - (leaf.not_after - leaf.not_before) / 3
