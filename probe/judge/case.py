"""What the rules look at: plan and survey, indexed, with each served chain examined on demand.

Nothing is judged here. A rule asks the case for visits and explanations and says what is wrong.
"""

from collections import defaultdict
from collections.abc import Callable, Hashable, Iterable, Mapping
from datetime import datetime, timedelta
from functools import cached_property
from typing import Any, TypeVar

from probe.certificate.facts import CertFacts, facts_of
from probe.certificate.pool import Pool
from probe.judge.authority.sources import Sources, issuers_fetched, with_certificates
from probe.judge.clients.reactions import BY_NAME, on_site
from probe.judge.explained import Explained
from probe.judge.given import Given, given, roots_of
from probe.judge.imported import NOTHING, Imported
from probe.judge.names import Match, Presented
from probe.judge.part import nodes_asked
from probe.judge.path import Explanation, Purpose, purpose_of
from probe.judge.standing import Known, Standings
from probe.judge.strict import Policy, policies
from probe.judge.trust import AnchorSet, anchors
from probe.judge.visit import Place, Visit, met
from probe.observation.model import (
    Aspect,
    Endpoint,
    Handshake,
    Outcome,
    Question,
    Survey,
)
from probe.plan.model import Acceptance, Audience, Client, Node, Plan, Roots, Service
from probe.plan.places import plan_of, planned_addresses

__all__ = ["REFERENCE", "Case", "Place", "Visit"]

_Item = TypeVar("_Item")

REFERENCE = {
    Endpoint.WEB: "chromium-web",
    Endpoint.EAP: "linux-eap",
    Endpoint.RADSEC: "node",
}
"""Families whose rules are those of the standards, for what has to be known of every chain."""


def _by(items: Iterable[_Item], key: Callable[[_Item], str]) -> Mapping[str, tuple[_Item, ...]]:
    found: dict[str, tuple[_Item, ...]] = {}
    for item in items:
        found[key(item)] = (*found.get(key(item), ()), item)
    return found


def _is_virtual(record: Handshake, service: Service | None) -> bool:
    return service is not None and record.asked.address in service.addresses


class Case:
    """A plan, a survey and a time, made ready for the rules."""

    def __init__(
        self,
        plan: Plan,
        survey: Survey,
        *,
        at: datetime,
        before: Survey | None = None,
        explained: Explained | None = None,
        expected: Imported = NOTHING,
    ) -> None:
        self.whole = plan
        """With the nodes that were not asked: they are there, though nothing is known of them."""
        self.plan = plan = plan_of(plan, nodes_asked(survey))
        fetched = issuers_fetched(survey)
        self.fetched_from: Mapping[str, str] = {sha: url for sha, (_, url) in fetched.items()}
        """CA certificates that an address in a certificate gave: that address, by SHA-256."""
        self.survey = survey = with_certificates(survey, (der for der, _ in fetched.values()))
        self.at = at
        self.node_order: Mapping[str, int] = {n.name: i for i, n in enumerate(plan.nodes)}
        self.nodes: Mapping[str, Node] = {node.name: node for node in plan.nodes}
        self.questions: Mapping[str, Question] = {q.id: q for q in survey.questions}
        self.facts: dict[str, CertFacts] = {
            sha256: facts_of(der) for sha256, der in survey.certificates.items()
        }
        self.expected = expected
        """What was just imported."""
        self._before = before
        self._explained = explained or Explained()
        self.hosts = _by(plan.nodes, lambda node: node.host)
        self.services = _by(plan.services, lambda service: service.name)
        self._known: dict[tuple[tuple[str, ...], Purpose, AnchorSet], Explanation] = {}
        self._roots_given: dict[Given, AnchorSet | None] = {}
        self._presented: dict[str, Presented] = {}
        self._matches: dict[tuple[str, str | None], Match] = {}
        self._once: dict[Hashable, Any] = {}
        self._families: dict[
            tuple[Endpoint, Audience],
            tuple[tuple[str, tuple[Client, ...], tuple[Client, ...]], ...],
        ] = {}

    def once(self, key: Hashable, found: Callable[[], _Item]) -> _Item:
        """Return what a rule finds, never None; found once for all that has the same key."""
        known: _Item | None = self._once.get(key)
        if known is None:
            known = self._once[key] = found()
        return known

    def once_met(self, found: Callable[["Case", Visit], _Item], visit: Visit) -> _Item:
        """Return what is found of a web or EAP visit; found once for all that are met alike."""
        return self.once((found, visit.meeting), lambda: found(self, visit))

    # ------------------------------------------------------------ visits

    @cached_property
    def web(self) -> tuple[Visit, ...]:
        """The web visits that show what clients meet, in the order asked."""
        return tuple(met(self.asked_of_web))

    @cached_property
    def asked_of_web(self) -> tuple[Visit, ...]:
        """Every web visit, in the order asked: further questions are among them, which servers may
        refuse, and whose answers clients need not meet."""
        return self._visits(Endpoint.WEB)

    @cached_property
    def eap(self) -> tuple[Visit, ...]:
        """The EAP conversations that show what supplicants meet, in the order asked."""
        found = tuple(met(self.asked_of_eap))
        shown = {visit.server for visit in found if visit.chain}
        # Where nothing newer is spoken, an old version's answer is the only one.
        old = self.aside(Aspect.OLD_VERSION, Endpoint.EAP)
        return (*found, *(v for v in old if v.chain and v.server not in shown))

    @cached_property
    def asked_of_eap(self) -> tuple[Visit, ...]:
        """Every EAP conversation, in the order asked, further questions among them."""
        return self._visits(Endpoint.EAP)

    @cached_property
    def radsec(self) -> tuple[Visit, ...]:
        """The RadSec visits that show what peers meet, in the order asked."""
        return tuple(met(self.asked_of_radsec))

    @cached_property
    def asked_of_radsec(self) -> tuple[Visit, ...]:
        """Every RadSec visit, in the order asked, further questions among them."""
        return self._visits(Endpoint.RADSEC)

    def asked(self, endpoint: Endpoint) -> tuple[Visit, ...]:
        """Return every visit of the web, the EAP or the RadSec endpoint."""
        if endpoint is Endpoint.RADSEC:
            return self.asked_of_radsec
        return self.asked_of_web if endpoint is Endpoint.WEB else self.asked_of_eap

    def aside(self, aspect: Aspect, endpoint: Endpoint = Endpoint.WEB) -> tuple[Visit, ...]:
        """Return the visits that were after one aspect, beside those that clients make."""
        return tuple(visit for visit in self.asked(endpoint) if visit.aspect is aspect)

    @cached_property
    def looked_closely(self) -> bool:
        """Whether the web was asked for all that a handshake can bring beside the certificates:
        the surveys that do so ask further questions too, and a library that can ask those can ask
        for it."""
        asked = self.aside(Aspect.FAMILY)
        return any(visit.record.outcome is not Outcome.NOT_ASKED for visit in asked)

    @cached_property
    def strict(self) -> Mapping[str, Policy]:
        """Names for which strict transport was asked of browsers."""
        return policies(self.survey.handshakes)

    @cached_property
    def opened(self) -> Mapping[str, frozenset[str | None]]:
        """By node: the names that were opened there, at virtual addresses too."""
        found: dict[str, set[str | None]] = defaultdict(set)
        for visit in self.web:
            for node in () if visit.behind else visit.record.nodes:
                found[node].add(visit.name)
        return {node: frozenset(names) for node, names in found.items()}

    def visits(self, endpoint: Endpoint) -> tuple[Visit, ...]:
        """Return the visits of the web, the EAP or the RadSec endpoint."""
        if endpoint is Endpoint.RADSEC:
            return self.radsec
        return self.web if endpoint is Endpoint.WEB else self.eap

    def _visits(self, endpoint: Endpoint) -> tuple[Visit, ...]:
        records = [(r, self._service(r)) for r in self.survey.handshakes if r.endpoint is endpoint]
        # Which node answered at a virtual address shows by what the nodes serve themselves.
        serving: dict[tuple[str | None, tuple[str, ...]], list[str]] = defaultdict(list)
        for record, service in records:
            # Where DNS leads against the plan, no node of it need be.
            led = record.asked.aspect is Aspect.LED
            own = len(record.nodes) == 1 and not _is_virtual(record, service) and not led
            if own and record.served:
                serving[record.asked.name, record.served.chain].append(record.nodes[0])
        return tuple(self._visit(record, service, serving) for record, service in records)

    def _service(self, record: Handshake) -> Service | None:
        question = self.questions.get(record.question)
        named = self.services.get(question.service or "", ()) if question else ()
        # The same name may be a web service and a RADIUS address.
        return next((one for one in named if one.endpoint is record.endpoint), None)

    def _visit(
        self,
        record: Handshake,
        service: Service | None,
        serving: Mapping[tuple[str | None, tuple[str, ...]], list[str]],
    ) -> Visit:
        virtual = _is_virtual(record, service)
        nodes = tuple(node for node in record.nodes if node in self.node_order)
        own = not virtual and len(nodes) == 1 and record.asked.name == self.host(nodes[0])
        audience = Audience.STAFF
        if service is not None:
            audience = service.audience
        elif len(nodes) == 1:
            audience = self.nodes[nodes[0]].host_audience
        if virtual and record.served:
            found = serving.get((record.asked.name, record.served.chain), ())
            nodes = tuple(node for node in nodes if node in found) or nodes
        return Visit(
            record,
            service,
            nodes,
            virtual,
            behind=bool(service and service.addresses and not virtual and not own),
            name=record.asked.name,
            audience=audience,
            own=own,
            chain=record.served.chain if record.served else (),
            asked=record.asked,
            aspect=record.asked.aspect,
        )

    def host(self, node: str) -> str:
        """Return a node's own name."""
        return self.nodes[node].host

    def behind(self, service: Service) -> tuple[str, ...]:
        """Return every node behind a service, also those that were not asked."""
        for one in self.whole.services:
            if (one.name, one.endpoint) == (service.name, service.endpoint):
                return one.nodes
        return service.nodes

    def sort_nodes(self, nodes: Iterable[str]) -> tuple[str, ...]:
        """Return each node once, in the order of the plan."""
        known = {node for node in nodes if node in self.node_order}
        return tuple(sorted(known, key=self.node_order.__getitem__))

    @cached_property
    def _answered(self) -> frozenset[str]:
        """Questions that were served in the earlier survey, if the same machine asked."""
        if self._before is None:
            return frozenset()
        machines = {taken.machine for taken in self.survey.taken}
        if not machines & {taken.machine for taken in self._before.taken} - {None}:
            return frozenset()
        return frozenset(r.question for r in self._before.handshakes if r.outcome is Outcome.SERVED)

    def answered_before(self, question: str) -> bool:
        """Whether this machine was served there in the earlier survey."""
        return question in self._answered

    @cached_property
    def opened_by_guests(self) -> frozenset[str]:
        """Every name of the plan that guests open."""
        guests = Audience.GUESTS
        hosts = {node.host for node in self.plan.nodes if node.host_audience is guests}
        return frozenset(hosts | {s.name for s in self.plan.services if s.audience is guests})

    @cached_property
    def planned_addresses(self) -> Mapping[str, frozenset[str] | None]:
        """Where the whole plan says that its names lead; None: it takes that from DNS."""
        return planned_addresses(self.whole)

    # ------------------------------------------------------------ clients

    @cached_property
    def supplicants(self) -> tuple[Client, ...]:
        """The EAP clients on site; those with profiles as these set them up."""
        return tuple(self.given)

    @cached_property
    def given(self) -> Mapping[Client, tuple[Given, ...]]:
        """What the plan's profiles give each EAP client on site."""
        return given(self.plan, on_site(self.plan.clients, "eap"))

    def roots_given(self, one: Given) -> AnchorSet | None:
        """Return a profile's anchors; None where it leaves them to the system or the user."""
        if one not in self._roots_given:
            seen = self.survey.certificates.values()
            self._roots_given[one] = roots_of(one, self.plan, seen)
        return self._roots_given[one]

    def anchored(self, visit: Visit, one: Given) -> bool:
        """Whether a visit's chain leads to an anchor of a profile with nothing missing."""
        roots = self.roots_given(one)
        return roots is not None and self.explain(visit, one.family, trusted=roots).complete

    def trusted_by(self, visit: Visit, client: Client) -> tuple[AnchorSet | None, ...]:
        """Return the roots by which a visit's chain is to be explained to a client with profiles.

        Each profile's own, where the chain leads there; else None: then the plan's roots show what
        is wrong with the chain, and that the profile lacks an anchor is a rule of its own.
        """
        found = (
            self.roots_given(one) if self.anchored(visit, one) else None
            for one in self.given.get(client, ())
        )
        return tuple(dict.fromkeys(found))

    @cached_property
    def other_nodes(self) -> tuple[Client, ...]:
        """The family `node`, where it is on site and there is another node."""
        return on_site(self.plan.clients, "node") if len(self.whole.nodes) > 1 else ()

    def families(
        self, endpoint: Endpoint, audience: Audience
    ) -> tuple[tuple[str, tuple[Client, ...], tuple[Client, ...]], ...]:
        """Return each family that meets such an endpoint: its clients on site without a profile of
        the plan, and those with one."""
        key = endpoint, audience
        if key not in self._families:
            clients = self.supplicants if endpoint is Endpoint.EAP else self.browsers(audience)
            of: dict[str, tuple[list[Client], list[Client]]] = {}
            for client in clients:
                of.setdefault(client.family, ([], []))[bool(self.given.get(client))].append(client)
            self._families[key] = tuple(
                (family, tuple(plain), tuple(others)) for family, (plain, others) in of.items()
            )
        return self._families[key]

    def browsers(self, audience: Audience) -> tuple[Client, ...]:
        """Return the web clients on site that open names of this audience."""
        return self._browsers[audience]

    @cached_property
    def _browsers(self) -> Mapping[Audience, tuple[Client, ...]]:
        clients = on_site(self.plan.clients, "web")
        return {
            audience: tuple(c for c in clients if audience in BY_NAME[c.family].opens)
            for audience in Audience
        }

    # ------------------------------------------------------------ chains

    @cached_property
    def everywhere(self) -> AnchorSet:
        """Every anchor of every world of the plan."""
        return anchors(*self.roots, name="plan")

    def anchors_of(self, visit: Visit) -> AnchorSet:
        """Return the roots that the clients of this visit have."""
        if visit.record.endpoint is Endpoint.EAP:
            return self._worlds["eap"]
        if visit.record.endpoint is Endpoint.RADSEC:
            return anchors(*self._radsec_roots(visit), name="radsec")
        return self._worlds["web" if visit.audience is Audience.GUESTS else "staff"]

    @cached_property
    def _worlds(self) -> Mapping[str, AnchorSet]:
        trust = self.plan.trust
        worlds = {"web": trust.web, "staff": trust.staff, "eap": trust.eap}
        return {name: anchors(*sources, name=name) for name, sources in worlds.items()}

    def _radsec_roots(self, visit: Visit) -> tuple[Roots, ...]:
        radsec = self.nodes[visit.nodes[0]].radsec if visit.nodes else None
        return radsec.roots if radsec is not None else ()

    def has_radsec_roots(self, visit: Visit) -> bool:
        """Whether the plan says which roots the peers of a RadSec visit trust."""
        return bool(self._radsec_roots(visit))

    def radsec_names(self, visit: Visit) -> tuple[str, ...]:
        """Return the names by which the plan says that peers know the node of a RadSec visit."""
        radsec = self.nodes[visit.nodes[0]].radsec
        return radsec.names if radsec is not None else ()

    @property
    def guest_anchors(self) -> AnchorSet:
        """The roots of guests' devices."""
        return self._worlds["web"]

    @cached_property
    def node_anchors(self) -> AnchorSet:
        """The roots that nodes have when they call each other."""
        return anchors(*self.plan.trust.node, name="node")

    @cached_property
    def roots(self) -> tuple[Roots, ...]:
        """Each source of roots of the plan, once."""
        trust, radsec = self.plan.trust, self.plan.radsec_roots
        return tuple(
            dict.fromkeys(
                (*trust.public, *trust.web, *trust.staff, *trust.eap, *trust.node, *radsec)
            )
        )

    @cached_property
    def _extra(self) -> tuple[bytes, ...]:
        """CA certificates seen anywhere in the survey: they may complete another node's chain."""
        return tuple(
            self.survey.certificates[sha256]
            for sha256 in sorted(self.facts)
            if self.facts[sha256].is_ca
        )

    def explain(
        self, visit: Visit, family: str, *, trusted: AnchorSet | None = None
    ) -> Explanation:
        """Explain a visit's chain to one family; `trusted` instead of the audience's roots.

        Without the name: rules ask for that themselves, and so a chain is examined once for all.
        """
        roots = self.anchors_of(visit) if trusted is None else trusted
        key = visit.chain, purpose_of(family), roots.alike
        known = self._known.get(key)
        if known is None:
            known = self._known[key] = self._explained.explain(
                tuple(self.survey.certificates[sha256] for sha256 in visit.chain),
                name=None,
                anchors=roots,
                family=family,
                at=self.at,
                extra=self._extra,
                others=self.everywhere,
            )
        return known

    @cached_property
    def pool(self) -> Pool:
        """Every certificate of the survey: what may stand between a leaf and a root."""
        return Pool(self.survey.certificates.values())

    @cached_property
    def authorities(self) -> Sources:
        """What authorities said of certificates, with every certificate that is at hand."""
        trust = self.plan.trust
        sources = (*self.roots, *trust.client_issuers)
        trusted = anchors(*dict.fromkeys(sources), name="all")
        pool = Pool((*trusted.by_sha.values(), *self.survey.certificates.values()))
        return Sources(self.survey, pool, trusted, at=self.at)

    def standing(self, sha256: str) -> Known:
        """Return whether a certificate of the survey is a public CA's."""
        return self._standings.of(self.survey.certificates[sha256])

    @cached_property
    def _standings(self) -> Standings:
        return Standings(self.plan.trust.public, self.everywhere, self.pool)

    def certificate(self, sha256: str | None) -> CertFacts | None:
        """Return the facts of a certificate of the survey, or of a root of the plan."""
        if sha256 is None or sha256 in self.facts:
            return self.facts.get(sha256 or "")
        der = self.everywhere.by_sha.get(sha256)
        return facts_of(der) if der is not None else None

    def reference(self, visit: Visit) -> Explanation:
        """Explain a visit's chain by the standards' own rules."""
        return self.explain(visit, REFERENCE[visit.record.endpoint])

    def missing(self, visit: Visit, explanation: Explanation) -> tuple[str, ...]:
        """Return the names (RFC 4514) of the CA certificates that an incomplete chain lacks."""
        if not explanation.of_kind("chain-incomplete"):
            return ()
        found = map(self.certificate, self.lacking(explanation))
        lacking = tuple(facts.subject for facts in found if facts is not None)
        return lacking or (self.leaf(visit).issuer,)

    def lacking(self, explanation: Explanation) -> tuple[str, ...]:
        """Return those (SHA-256) that are known from elsewhere; none: where it leads is not."""
        return explanation.used_extra if explanation.of_kind("chain-incomplete") else ()

    def leaf(self, visit: Visit) -> CertFacts:
        """Return the facts of the certificate served first."""
        return self.facts[visit.chain[0]]

    def covers(self, visit: Visit, name: str | None) -> Match:
        """Say whether the certificate served first covers a name that is opened."""
        key = visit.chain[0], name
        if key not in self._matches:
            if visit.chain[0] not in self._presented:
                self._presented[visit.chain[0]] = Presented(self.leaf(visit))
            self._matches[key] = self._presented[visit.chain[0]].covers(name or "")
        return self._matches[key]

    def acceptance(self, rule_id: str, nodes: Iterable[str], name: str | None) -> Acceptance | None:
        """Return what the plan says of such a finding being known; one in force goes first."""
        found = [
            accepted
            for accepted in self.plan.accepted
            if accepted.rule == rule_id
            and (not accepted.nodes or set(nodes) <= set(accepted.nodes))
            and accepted.name in (None, name)
        ]
        return max(found, key=lambda accepted: accepted.until, default=None)

    @cached_property
    def anchor_horizon(self) -> datetime:
        """Until when the plan wants to be warned of CA certificates that end."""
        return self.at + timedelta(days=self.plan.windows.anchor_days)

    def window(self, facts: CertFacts) -> timedelta | None:
        """Return how long before its end a certificate's renewal is due; None: dates unreadable."""
        if facts.not_before is None or facts.not_after is None:
            return None
        if self.plan.windows.expiring_days is not None:
            return timedelta(days=self.plan.windows.expiring_days)
        # A third of the lifetime, as renewal is good practice at two thirds of it.
        return min((facts.not_after - facts.not_before) / 3, timedelta(days=30))
