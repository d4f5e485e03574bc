"""What has to be asked to confirm or exclude what a complaint may mean."""

from collections.abc import Iterable

from probe.judge.complaint.carry import endpoint_of
from probe.judge.complaint.kinds import Kind, kind_of
from probe.judge.complaint.understood import Understood
from probe.observation.model import Aspect, Endpoint, Question
from probe.plan.model import Plan
from probe.plan.places import plan_of

_OF_CERTIFICATES = {Kind.CERTIFICATE, Kind.COMPARED, Kind.AUTHORITY, Kind.CLOSE}

_ANY_NAME = frozenset({Aspect.OLD_VERSION, Aspect.NO_NAME, Aspect.OTHER_NAME, Aspect.CANARY})
"""Questions that are asked of an address once, whatever name is opened there."""

_BY_NAME = frozenset(
    {"web-name-mismatch", "web-common-name-only", "web-default-differs", "cluster-name-uncovered"}
)


def questions_for(
    plan: Plan, complaint: Understood, asked: Iterable[Question]
) -> tuple[Question, ...]:
    """Return those of the questions of an agenda that confirm or exclude what the words may mean,
    at the nodes that this person can have met, in the order of the agenda.

    Where nodes have to be compared, the plain visits of all are among them.
    """
    return tuple(question for question in asked if _wanted(plan, complaint, question))


def _wanted(plan: Plan, taken: Understood, question: Question) -> bool:
    if _to_recognise(taken, question):
        return True
    if question.endpoint is Endpoint.DNS:
        return _looked_up(plan, taken, question)
    if question.endpoint not in taken.endpoints or question.handshake is None:
        return False
    if not set(question.nodes) & set(taken.reach.of(question.endpoint)):
        return _to_compare(taken, question)
    ask = question.handshake
    page = taken.reach.page
    if question.endpoint is Endpoint.WEB and page is not None and ask.aspect not in _ANY_NAME:
        by_address = page == ask.address
        if ask.name != page and not by_address:
            return False
    return ask.aspect is None or _aspect_wanted(taken, ask.aspect, question.endpoint)


def _aspect_wanted(taken: Understood, aspect: Aspect, endpoint: Endpoint) -> bool:
    """Whether a further question bears on any of the causes."""
    if aspect in (Aspect.AGAIN, Aspect.INSIDE):
        return True
    if aspect in (Aspect.UNSIGNED, Aspect.LOGIN):
        return False
    if taken.anything:
        return True
    rules = {rule for rule in taken.rules if endpoint_of(rule) is endpoint}
    kinds = {kind_of(rule) for rule in rules}
    if aspect is Aspect.FAMILY:
        return bool(kinds & _OF_CERTIFICATES)
    if aspect is Aspect.OLD_VERSION:
        return Kind.REACH in kinds
    if aspect in (Aspect.NO_NAME, Aspect.OTHER_NAME):
        return bool(rules & _BY_NAME)
    if aspect is Aspect.LED:
        return Kind.NAMES in kinds
    return "web-unknown-root" in rules  # a canary: whether somebody answers for others


def _to_recognise(taken: Understood, question: Question) -> bool:
    """Whether a server has to be asked so that it is known whether a certificate is one of ours: it
    may be shown in another place than it belongs to. Nobody's secret is needed for it, and no login
    is failed at servers that the complaint is not about."""
    if not taken.complaint.shown.told or question.handshake is None:
        return False
    asked = {Endpoint.WEB, *taken.endpoints}
    return question.handshake.aspect is None and question.endpoint in asked


def _to_compare(taken: Understood, question: Question) -> bool:
    """Whether another node has to be asked so that it shows who stands apart from the rest."""
    endpoint = question.endpoint
    compared = any(
        kind_of(rule) is Kind.COMPARED and endpoint_of(rule) is endpoint for rule in taken.rules
    )
    plain = question.handshake is not None and question.handshake.aspect is None
    return compared and plain


def _looked_up(plan: Plan, taken: Understood, question: Question) -> bool:
    ask = question.lookup
    if ask is None or ask.type not in ("A", "AAAA") or Endpoint.WEB not in taken.endpoints:
        return False
    if not taken.anything and not any(kind_of(rule) is Kind.NAMES for rule in taken.rules):
        return False
    return ask.name in names_opened(plan, taken)


def names_opened(plan: Plan, taken: Understood) -> frozenset[str]:
    """Return the names of the plan that this person can have opened in a browser."""
    if taken.reach.page is not None:
        return frozenset({taken.reach.page})
    part = plan_of(plan, frozenset(taken.reach.of(Endpoint.WEB)))
    services = {s.name for s in part.services if s.endpoint is Endpoint.WEB}
    return frozenset({*(node.host for node in part.nodes), *services})
