"""A small made-up cluster for the judge's tests: a plan, and surveys of it written down by hand.

`seen` answers every question of the agenda as a healthy cluster would, except where a test says
otherwise; so each test shows the one thing that it breaks.
"""

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from functools import cache
from typing import Any

from cryptography import x509
from cryptography.x509.oid import AuthorityInformationAccessOID

from probe.assessment import Assessment
from probe.certificate.facts import facts_of
from probe.judge.assess import judge
from probe.observation.model import (
    Aspect,
    EapSeen,
    Endpoint,
    Handshake,
    Lookup,
    LookupAsk,
    LookupOutcome,
    Outcome,
    Phase,
    Question,
    Served,
    Survey,
    Taken,
    fingerprint,
)
from probe.observe.agenda import Depth, agenda
from probe.plan.model import (
    FAMILIES,
    Audience,
    Client,
    Eap,
    Node,
    Plan,
    Resolver,
    Roots,
    Service,
    Setup,
    Trust,
    Web,
)
from probe.records import replace
from tests.judge.pki import AT, Made, authority, make, timestamps

GUEST = "guest.northpier.example"
RADIUS = "radius.northpier.example"
NODES = ("quay1", "quay2", "quay3", "quay4")

Chain = tuple[bytes, ...]
Told = tuple[str, str, tuple[str, ...], str | None]
"""(rule, endpoint, nodes, name): what a test expects of a finding."""


def host(node: str) -> str:
    return f"{node}.northpier.example"


HOSTS = tuple(host(node) for node in NODES)

OWN = "spare.northpier.example"
"""One name more, that nobody opens: a certificate with it is no renewal of the usual one."""


@cache
def ca(label: str, issuer: str | None = None) -> Made:
    """Return one CA of this run by its common name."""
    return authority(label, ca(issuer) if issuer else None)


PUBLIC_ROOT = "Saltmarsh Public Root"
PUBLIC_ISSUING = "Saltmarsh Issuing"
PRIVATE_ROOT = "Northpier Root"
PRIVATE_ISSUING = "Northpier Issuing"
FOREIGN_ROOT = "Dry Dock Test CA"


def public(*names: str, **changes: Any) -> Made:
    """Return a leaf of the public CA, as those are: with the timestamps of some logs."""
    more = (*changes.pop("more", ()), timestamps(changes.pop("logs", 3)))
    issuer = ca(PUBLIC_ISSUING, PUBLIC_ROOT)
    return make(names[0], issuer, names=names, more=more, **changes)


NAMES_ITS_ISSUER = (
    x509.AuthorityInformationAccess(
        [
            x509.AccessDescription(
                AuthorityInformationAccessOID.CA_ISSUERS,
                x509.UniformResourceIdentifier("http://ca.northpier.example/issuing.cer"),
            )
        ]
    ),
    False,
)
"""The extension with the address from which a missing issuer can be had (RFC 5280, 4.2.2.1)."""


def private(*names: str, **changes: Any) -> Made:
    """Return a leaf of the organisation's CA."""
    return make(names[0], ca(PRIVATE_ISSUING, PRIVATE_ROOT), names=names, **changes)


def with_public(leaf: Made) -> Chain:
    return leaf.der, ca(PUBLIC_ISSUING, PUBLIC_ROOT).der


def with_private(leaf: Made) -> Chain:
    return leaf.der, ca(PRIVATE_ISSUING, PRIVATE_ROOT).der


@cache
def web_chain() -> Chain:
    return with_public(public(*HOSTS, GUEST))


@cache
def eap_chain() -> Chain:
    return with_private(private(RADIUS))


def roots(name: str, *certificates: Made) -> Roots:
    return Roots(name, None, tuple(made.der for made in certificates))


@cache
def trust() -> Trust:
    shipped = roots("public", ca(PUBLIC_ROOT))
    own = roots("northpier-root.pem", ca(PRIVATE_ROOT))
    return Trust(
        public=(shipped,), web=(shipped,), staff=(shipped, own), eap=(own,), node=(shipped, own)
    )


def clients(*families: str, by_hand: Sequence[str] = ()) -> tuple[Client, ...]:
    """Return clients by family; supplicants have the setup "profile"."""
    known = [Client(f, Setup.PROFILE if f.endswith("-eap") else None) for f in families]
    return (*known, *(Client(family, Setup.BY_HAND) for family in by_hand))


def nodes(names: Sequence[str] = NODES, **changes: Any) -> tuple[Node, ...]:
    eap = Eap(expected_names=(RADIUS,))
    return tuple(
        replace(
            Node(name, host(name), Audience.STAFF, (f"192.0.2.{place}",), Web(), eap), **changes
        )
        for place, name in enumerate(names, 11)
    )


def guest_service(**changes: Any) -> Service:
    return replace(Service(GUEST, Endpoint.WEB, Audience.GUESTS, NODES), **changes)


def plan(**changes: Any) -> Plan:
    """Return the plan: four nodes, one guest name, EAP with one certificate, all families."""
    return replace(
        Plan(
            name="Northpier Ferries network access",
            clients=clients(*FAMILIES),
            trust=trust(),
            nodes=nodes(),
            resolvers=(Resolver("192.0.2.53"),),
            services=(guest_service(),),
            eap=Eap(expected_names=(RADIUS,)),
        ),
        **changes,
    )


Answer = Chain | Outcome | Handshake
"""A chain that is served, how a visit ended without one, or a whole record to take parts from."""


def seen(
    of: Plan,
    *,
    web: Mapping[str, Answer] | None = None,
    eap: Mapping[str, Answer] | None = None,
    dns: Mapping[str, Sequence[str] | LookupOutcome] | None = None,
    without: Sequence[str] = (),
    depth: Depth = Depth.SWEEP,
    taken: datetime = AT,
) -> Survey:
    """Return a survey of a plan.

    The keys of `web`, `eap` and `dns` are texts; an answer goes to every question whose id holds
    the text, a later one before an earlier one. `without` leaves such questions unanswered. A hello
    that asks for another key family than the answer's, or for an old version, is refused, unless
    the text holds the word that makes the question one of those ("/rsa", "/old/").
    """
    questions = agenda(of, depth)
    certificates: dict[str, bytes] = {}
    lookups: list[Lookup] = []
    handshakes: list[Handshake] = []
    nothing_to_ask: set[str] = set()
    for question in questions:
        if any(text in question.id for text in without):
            continue
        if _has_nothing_to_ask(question):
            nothing_to_ask.add(question.id)
            continue
        if question.lookup is not None:
            lookups.append(_lookup(of, question, dns or {}, taken))
        else:
            given = (web if question.endpoint is Endpoint.WEB else eap) or {}
            usual = web_chain() if question.endpoint is Endpoint.WEB else eap_chain()
            answer = _pick(given, question.id, usual)
            if isinstance(answer, tuple) and _refuses(question, answer, given):
                answer = Outcome.REFUSED
            if isinstance(answer, tuple):
                certificates.update((fingerprint(der), der) for der in answer)
            handshakes.append(_handshake(question, answer, taken))
    return Survey(
        (Taken(taken - timedelta(seconds=2), taken, machine="lighthouse"),),
        None,
        tuple(question for question in questions if question.id not in nothing_to_ask),
        tuple(lookups),
        tuple(handshakes),
        certificates,
    )


def _has_nothing_to_ask(question: Question) -> bool:
    """DNS leads to what the plan has, and gives no address where the plan takes them from there."""
    if question.handshake is not None:
        return question.handshake.aspect is Aspect.LED
    asked = question.lookup
    return asked is not None and asked.type == "PTR" and not asked.name.endswith(".arpa")


def _refuses(question: Question, chain: Chain, given: Mapping[str, Any]) -> bool:
    asked = question.handshake
    assert asked is not None
    if asked.aspect is Aspect.OLD_VERSION:
        return not any("/old/" in text and text in question.id for text in given)
    if asked.key_family is None:
        return False
    named = any(f"/{asked.key_family}" in text and text in question.id for text in given)
    return not named and facts_of(chain[0]).key_family is not asked.key_family


def _pick(given: Mapping[str, Any], question: str, usual: Any) -> Any:
    found = [answer for text, answer in given.items() if text in question]
    return found[-1] if found else usual


def _lookup(of: Plan, question: Question, given: Mapping[str, Any], taken: datetime) -> Lookup:
    asked = question.lookup
    assert asked is not None
    if asked.type not in ("A", "AAAA") or asked.name.startswith("*."):
        return _other_records(question, asked, given, taken)
    usual: list[str] = []
    for node in of.nodes:
        if node.host == asked.name:
            usual += node.addresses or ()
    for service in of.services:
        if service.name == asked.name:
            members = [of.node(name) for name in service.nodes]
            usual += service.addresses or [a for node in members for a in node.addresses or ()]
    answer = _pick(given, question.id, usual)
    if isinstance(answer, LookupOutcome):
        return Lookup(question.id, asked, taken, 0.01, answer)
    wanted = [text for text in answer if (":" in text) == (asked.type == "AAAA")]
    outcome = LookupOutcome.ANSWERED if wanted else LookupOutcome.NO_DATA
    return Lookup(question.id, asked, taken, 0.01, outcome, data=tuple(sorted(wanted)))


def _other_records(
    question: Question,
    asked: LookupAsk,
    given: Mapping[str, Sequence[str] | LookupOutcome],
    taken: datetime,
) -> Lookup:
    """Return the answer about other records than addresses: those that a test gives, by type."""
    kind = "/*." if asked.name.startswith("*.") else f"/{asked.type}"
    of_type = {text: answer for text, answer in given.items() if kind in text}
    usual = (host(question.nodes[0]),) if asked.type == "PTR" else ()
    answer = _pick(of_type, question.id, _pick(_everywhere(given), question.id, usual))
    outcome = LookupOutcome.ANSWERED if answer else LookupOutcome.NO_DATA
    if isinstance(answer, LookupOutcome):
        outcome, answer = answer, ()
    if asked.name.startswith("*."):
        # The record has the name that was really asked: with a random label.
        asked = replace(asked, name=f"quf7m2kx.{asked.name.removeprefix('*.')}")
    return Lookup(question.id, asked, taken, 0.01, outcome, data=tuple(answer))


def _everywhere(
    given: Mapping[str, Sequence[str] | LookupOutcome],
) -> Mapping[str, LookupOutcome]:
    """Return what happens to a resolver whatever it is asked."""
    return {text: said for text, said in given.items() if isinstance(said, LookupOutcome)}


def _handshake(question: Question, answer: Answer, taken: datetime) -> Handshake:
    asked = question.handshake
    assert asked is not None
    method = asked.methods[0] if asked.methods else None
    record = Handshake(
        question.id,
        question.endpoint,
        question.nodes,
        asked,
        taken,
        0.02,
        Outcome.SERVED,
        Phase.PROOF,
    )
    if isinstance(answer, Outcome):
        return replace(record, outcome=answer, phase=Phase.CONNECT)
    if isinstance(answer, Handshake):
        return replace(
            record,
            outcome=answer.outcome,
            alert=answer.alert,
            detail=answer.detail,
            eap=answer.eap,
            radius=answer.radius,
        )
    chain = tuple(fingerprint(der) for der in answer)
    family = facts_of(answer[0]).key_family if answer else None
    served = Served(chain, asked.tls[-1], key_family=family, key_proven=True)
    return replace(record, served=served, eap=EapSeen(method=method) if method else None)


def judged(of: Plan, survey: Survey, *, at: datetime = AT, **more: Any) -> Assessment:
    return judge(of, survey, at=at, **more)


def told(assessment: Assessment) -> list[Told]:
    """Return what the findings are about, in their order."""
    return [(f.rule, f.endpoint.value, f.nodes, f.name) for f in assessment.findings]


def noted(assessment: Assessment) -> list[tuple[str, tuple[str, ...]]]:
    return [(note.rule, note.nodes) for note in assessment.notes]


def folded(assessment: Assessment) -> list[str]:
    return [inner.rule for finding in assessment.findings for inner in finding.folded]
