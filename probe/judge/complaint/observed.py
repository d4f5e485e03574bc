"""Whether what would show a rule was looked at, everywhere where this person can have met it.

"Not seen" is never "fine": a cause is excluded only by answers, at each of the nodes.
"""

from collections.abc import Iterator

from probe.assessment import Assessment
from probe.judge.complaint.carry import endpoint_of
from probe.judge.complaint.kinds import Kind, kind_of
from probe.judge.complaint.questions import names_opened
from probe.judge.complaint.understood import Understood
from probe.judge.words import listing
from probe.observation.model import (
    Aspect,
    Endpoint,
    FetchKind,
    FetchOutcome,
    Handshake,
    LookupOutcome,
    Outcome,
)
from probe.plan.model import Plan
from probe.records import dataclass

_TOLD = frozenset(
    {LookupOutcome.ANSWERED, LookupOutcome.NO_DATA, LookupOutcome.NO_NAME, LookupOutcome.LAME}
)

_CALLED = {Endpoint.WEB: "the web", Endpoint.EAP: "EAP", Endpoint.RADSEC: "RadSec"}


@dataclass(frozen=True, slots=True)
class Observed:
    """Whether a rule could be excluded."""

    nodes: tuple[str, ...]
    """missing: of which nothing is known that would do; else those that were looked at."""
    missing: str | None
    """What is not known; None: nothing, so that the rule is excluded where it was not found."""
    decides: str | None = None


class Seen:
    """What one assessment's survey has of the places of one complaint."""

    def __init__(self, plan: Plan, taken: Understood, found: Assessment) -> None:
        self._plan = plan
        self._taken = taken
        self._found = found
        self._survey = found.survey
        self._records = tuple(
            r for r in self._survey.handshakes if r.asked.aspect not in (Aspect.CANARY, Aspect.LED)
        )

    @property
    def anything(self) -> bool:
        """Whether anything at all was seen where this person can have been."""
        return bool(self._survey.lookups) or any(
            self._shown(node, endpoint)
            for endpoint in self._taken.endpoints
            for node in self._taken.reach.of(endpoint)
        )

    def of(self, rule: str) -> Observed:
        """Return whether what would show a rule was looked at."""
        endpoint, kind = endpoint_of(rule), kind_of(rule)
        nodes = self._taken.reach.of(endpoint)
        if kind is Kind.NAMES:
            return self._names(nodes)
        if not nodes:
            return self._nowhere(endpoint)
        silent = tuple(node for node in nodes if not self.served(node, endpoint))
        if silent:
            return self._unserved(silent, endpoint)
        lacking = tuple(self._lacking(rule, kind, nodes, endpoint))
        if lacking:
            return Observed(nodes, *lacking[0])
        return Observed(nodes, None)

    # ------------------------------------------------------------ visits

    def _visits(self, node: str, endpoint: Endpoint) -> Iterator[Handshake]:
        page = self._taken.reach.page
        for record in self._records:
            if record.endpoint is not endpoint or node not in record.nodes:
                continue
            ask = record.asked
            if endpoint is Endpoint.WEB and page not in (None, ask.name, ask.address):
                continue
            yield record

    def _shown(self, node: str, endpoint: Endpoint) -> bool:
        return any(record.served is not None for record in self._visits(node, endpoint))

    def served(self, node: str, endpoint: Endpoint) -> bool:
        """Whether each address of a node was asked as clients ask, and served a chain."""
        addresses: dict[object, bool] = {}
        for record in self._visits(node, endpoint):
            if record.asked.aspect is None:
                place = record.asked.address, record.asked.port
                served = record.served is not None
                addresses[place] = addresses.get(place, False) or served
        asked = {
            (q.handshake.address, q.handshake.port)
            for q in self._survey.questions
            if q.id in self._found.unseen
            and q.endpoint is endpoint
            and node in q.nodes
            and q.handshake is not None
            and q.handshake.aspect is None
        }
        return bool(addresses) and all(addresses.values()) and not asked - addresses.keys()

    def _nowhere(self, endpoint: Endpoint) -> Observed:
        page = self._taken.reach.page
        if endpoint is Endpoint.WEB and page is not None and not self._taken.reach.page_known:
            return Observed((), f"{page} is no name of the plan", f"write {page} into the plan")
        what = _CALLED[endpoint]
        return Observed((), f"{what} is not in the plan", f"write {what} into the plan")

    def _unserved(self, nodes: tuple[str, ...], endpoint: Endpoint) -> Observed:
        what, listed = _CALLED[endpoint], listing(nodes)
        ended = {
            record.outcome.value
            for node in nodes
            for record in self._visits(node, endpoint)
            if record.served is None and record.asked.aspect is None
        }
        if not ended:
            return Observed(nodes, f"{what} was not asked at {listed}", f"ask {what} at {listed}")
        ways = listing(sorted(ended))
        return Observed(
            nodes,
            f"no certificate was seen at {listed} ({ways})",
            f"see why {what} at {listed} shows this machine no certificate",
        )

    # ------------------------------------------------------------ what else it takes

    def _lacking(
        self, rule: str, kind: Kind, nodes: tuple[str, ...], endpoint: Endpoint
    ) -> Iterator[tuple[str, str]]:
        if kind is Kind.COMPARED and len(self._plan.nodes) > 1:
            serving = {
                node
                for record in self._records
                if record.endpoint is endpoint and record.served is not None
                for node in record.nodes
            }
            if len(serving) < 2:
                yield "there was nothing to compare with", "ask the other nodes too"
        elif kind is Kind.AUTHORITY:
            yield from self._authority(rule, nodes, endpoint)
        elif kind is Kind.CLOSE:
            if not all(self._closely(node, endpoint) for node in nodes):
                yield "it takes a closer look", "ask the nodes in depth"
        elif kind is Kind.CLOCK:
            dated = [any(r.http and r.http.date for r in self._visits(n, endpoint)) for n in nodes]
            if not all(dated):
                yield "not every node said its time", "look at the clocks of the nodes"
        elif kind in (Kind.ASKED, Kind.CLIENT_LIST):
            yield from self._of_clients(kind, nodes)
        elif rule.startswith("import-"):
            yield (
                "nobody said what was imported",
                "say what was imported (probe cluster --expect FILE)",
            )

    def _of_clients(self, kind: Kind, nodes: tuple[str, ...]) -> Iterator[tuple[str, str]]:
        """Yield what is not known of the certificates that servers want of clients."""
        if kind is Kind.ASKED and not all(self._requested(node) for node in nodes):
            yield (
                "not every node was seen to ask for a client's certificate",
                "ask the nodes for EAP-TLS",
            )
        elif kind is Kind.CLIENT_LIST:
            fetched = (f for f in self._survey.fetches if f.kind is FetchKind.CRL)
            if not any(f.outcome is FetchOutcome.FETCHED for f in fetched):
                yield (
                    "no list of a CA of clients' certificates was seen",
                    "let the lists of the clients' CAs be fetched",
                )

    def _closely(self, node: str, endpoint: Endpoint) -> bool:
        return any(
            record.asked.aspect is Aspect.FAMILY and record.outcome is not Outcome.NOT_ASKED
            for record in self._visits(node, endpoint)
        )

    def _requested(self, node: str) -> bool:
        return any(
            record.eap is not None and record.eap.client_authorities is not None
            for record in self._visits(node, Endpoint.EAP)
        )

    def _authority(
        self, rule: str, nodes: tuple[str, ...], endpoint: Endpoint
    ) -> Iterator[tuple[str, str]]:
        spoken_of = any(one.rule == rule and one.guess == 0 for one in self._taken.candidates)
        leaves = {
            record.served.chain[0]
            for node in nodes
            for record in self._visits(node, endpoint)
            if record.served is not None
        }
        answered = {
            f.certificate
            for f in self._survey.fetches
            if f.kind in (FetchKind.CRL, FetchKind.OCSP) and f.outcome is FetchOutcome.FETCHED
        }
        answered |= {
            record.served.chain[0]
            for record in self._records
            if record.served is not None and record.served.staple is not None
        }
        for leaf in sorted(leaves):
            facts = self._found.facts[leaf]
            if (facts.ocsp_addresses or facts.crl_addresses) and leaf not in answered:
                yield (
                    "its CA was not asked whether the certificate is revoked",
                    "ask its CA from where its addresses can be reached",
                )
            elif spoken_of and not (facts.ocsp_addresses or facts.crl_addresses):
                # Browsers have lists of their own, and devices those that somebody gave them.
                yield (
                    "it names no place where its CA would say so, and a list that the client has"
                    " of its own may",
                    "ask the CA whether the certificate is revoked",
                )

    # ------------------------------------------------------------ names

    def _names(self, nodes: tuple[str, ...]) -> Observed:
        names = names_opened(self._plan, self._taken)
        asked = [
            q
            for q in self._survey.questions
            if q.lookup is not None and q.lookup.name in names and q.lookup.type in ("A", "AAAA")
        ]
        if not asked:
            if nodes and not any(name for name in names if not _numeric(name)):
                return Observed(nodes, None)
            return Observed(nodes, "no resolver was asked", "ask DNS too")
        told = {r.question for r in self._survey.lookups if r.outcome in _TOLD}
        silent = sorted({q.lookup.resolver for q in asked if q.lookup and q.id not in told})
        if silent:
            listed = listing(silent)
            return Observed(nodes, f"resolver {listed} gave no answer", f"ask resolver {listed}")
        return Observed(nodes, None)


def _numeric(name: str) -> bool:
    return ":" in name or name.replace(".", "").isdecimal()
