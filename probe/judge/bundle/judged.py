"""From files, a plan and a time to what is to be said before an import. Pure."""

from collections.abc import Callable, Mapping
from datetime import datetime

from probe.assessment import Assessment, Finding
from probe.bundle import NOTHING_SAID, Judged, Offered, Origin, Said, ServedNow
from probe.certificate.facts import CertFacts, facts_of
from probe.judge.assess import judge
from probe.judge.bundle.authorities import authorities, to_serve
from probe.judge.bundle.coverage import coverage, entries
from probe.judge.bundle.drafts import Looked
from probe.judge.bundle.installed import installed, nothing_seen
from probe.judge.bundle.key import key_of
from probe.judge.bundle.meant import Meant, as_facts, meant
from probe.judge.bundle.rules import rules_of
from probe.judge.case import REFERENCE
from probe.judge.path import Explanation, explain_path
from probe.judge.rules import OF_CERTIFICATES
from probe.judge.see import WHAT
from probe.judge.trust import AnchorSet, anchors, publicity
from probe.observation.model import Endpoint, Question, Survey, fingerprint
from probe.plan.addresses import is_address
from probe.plan.model import Plan
from probe.records import replace

Agenda = Callable[[Meant], tuple[Question, ...]]
"""Returns what would be asked of the nodes and endpoints that a certificate is meant for."""


def judge_bundle(
    plan: Plan,
    offered: Offered,
    *,
    at: datetime,
    agenda: Agenda,
    said: Said = NOTHING_SAID,
    now: ServedNow | None = None,
    planned: bool = True,
) -> Judged:
    """Judge what is to be imported, as of a time with a zone.

    `planned`: False where the plan was made up of the certificate itself.
    """
    leaf = _leaf(offered)
    seen = now.survey if now is not None else None
    world = _World(plan, offered, seen)
    paths = world.explained(at)
    leads = {endpoint for endpoint, one in paths.items() if one.anchor in world.of[endpoint]}
    of = meant(plan, leaf or facts_of(b""), leads=leads, said=said, seen=seen)
    offered = world.completed(at)
    looked = Looked(offered, of, leaf)
    survey, chain = nothing_seen(at), None
    if leaf is not None and planned:
        rows = coverage(plan, leaf, of)
        looked = replace(looked, coverage=rows, entries=entries(plan, rows))
    if offered.chain:
        survey = installed(plan, agenda(of), offered.chain, of, at)
        path = world.explain(at, anchors_=world.everywhere)
        looked = replace(looked, authorities=authorities(path, world.nodes, world.at_hand))
        chain = to_serve(path, world.at_hand)
    judged = judge(plan, survey, at=at, rules=(*OF_CERTIFICATES, *rules_of(looked)))
    spoken_of = _spoken_of(offered, looked, world.at_hand)
    key = key_of(plan, leaf, of, now) if leaf is not None else None
    if key is not None and seen is not None:
        spoken_of |= {one.certificate: seen.certificates[one.certificate] for one in key.served}
    return Judged(
        planned=planned,
        plan_nodes=tuple(node.name for node in plan.nodes),
        offered=offered,
        assessment=_before_import(judged, spoken_of),
        worlds=of.worlds,
        nodes=of.nodes,
        nodes_why=of.nodes_why,
        coverage=looked.coverage,
        entries=looked.entries,
        authorities=looked.authorities,
        key=key,
        to_serve=chain,
        certificates=spoken_of,
        facts={sha256: facts_of(der) for sha256, der in spoken_of.items()},
        public=publicity(
            spoken_of.values(), anchors(*plan.trust.public, name="public"), world.everywhere
        ),
    )


def _leaf(offered: Offered) -> CertFacts | None:
    if offered.chain:
        return facts_of(offered.chain[0])
    return as_facts(offered.request) if offered.request is not None else None


class _World:
    """The roots of a plan, and every certificate that is at hand."""

    def __init__(self, plan: Plan, offered: Offered, seen: Survey | None) -> None:
        trust = plan.trust
        everything = (*trust.public, *trust.web, *trust.staff, *trust.eap, *trust.node)
        self.everywhere = anchors(*dict.fromkeys(everything), name="plan")
        self.nodes = anchors(*trust.node, name="node")
        self.of: Mapping[Endpoint, AnchorSet] = {
            Endpoint.WEB: anchors(*dict.fromkeys((*trust.web, *trust.staff)), name="staff"),
            Endpoint.EAP: anchors(*trust.eap, name="eap"),
        }
        self._offered = offered
        self._chain = (*offered.chain, *offered.surplus)
        shown = tuple(seen.certificates.values()) if seen is not None else ()
        self._extra = tuple(der for der in shown if facts_of(der).is_ca)
        self.at_hand: dict[str, tuple[bytes, Origin]] = {}
        for origin, ders in (
            (Origin.BUNDLE, self._chain),
            (Origin.PLAN, self.everywhere.by_sha.values()),
            (Origin.SEEN, self._extra),
        ):
            for der in ders:
                self.at_hand.setdefault(fingerprint(der), (der, origin))

    def explained(self, at: datetime) -> dict[Endpoint, Explanation]:
        """Return how the path stands by the roots of each endpoint's clients."""
        if not self._chain:
            return {}
        return {
            endpoint: self.explain(at, anchors_=roots, family=REFERENCE[endpoint])
            for endpoint, roots in self.of.items()
        }

    def completed(self, at: datetime) -> Offered:
        """Return what is offered, with issuers in its chain whose signature does not hold: they
        would be sent all the same, and what is wrong is to be named."""
        if not self._offered.chain:
            return self._offered
        path = self.explain(at, anchors_=self.everywhere).path
        on_path = tuple(self.at_hand[sha256][0] for sha256 in path)
        if not set(on_path) & set(self._offered.surplus):
            return self._offered
        chain = tuple(der for der in on_path if der in self._chain)
        surplus = tuple(der for der in self._offered.surplus if der not in chain)
        return replace(self._offered, chain=chain, surplus=surplus)

    def explain(
        self, at: datetime, *, anchors_: AnchorSet, family: str = REFERENCE[Endpoint.EAP]
    ) -> Explanation:
        return explain_path(
            self._chain, name=None, anchors=anchors_, family=family, at=at, extra=self._extra
        )


def _spoken_of(
    offered: Offered, looked: Looked, at_hand: Mapping[str, tuple[bytes, Origin]]
) -> dict[str, bytes]:
    ders = (*offered.chain, *offered.others, *offered.surplus)
    found = {fingerprint(der): der for der in ders}
    for one in looked.authorities:
        if one.certificate is not None:
            found.setdefault(one.certificate, at_hand[one.certificate][0])
    return found


def _before_import(judged: Assessment, spoken_of: Mapping[str, bytes]) -> Assessment:
    """Return an assessment without what points at observations: there were none."""
    return replace(
        judged,
        facts=judged.facts | {sha256: facts_of(der) for sha256, der in spoken_of.items()},
        findings=tuple(_unobserved(finding) for finding in judged.findings),
    )


def _unobserved(finding: Finding) -> Finding:
    return replace(
        finding,
        addresses=tuple(address for address in finding.addresses if is_address(address)),
        evidence=tuple(
            replace(row, observation=None) for row in finding.evidence if row.what != WHAT
        ),
    )
