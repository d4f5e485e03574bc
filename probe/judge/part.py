"""What a survey looked at of a plan. Of the rest nothing is known, not even that it is sound."""

from probe.assessment import Part
from probe.observation.model import Endpoint, Survey
from probe.plan.addresses import is_address
from probe.plan.model import Plan
from probe.plan.places import plan_of


def nodes_asked(seen: Survey) -> frozenset[str]:
    """Return the nodes that a survey's questions speak of."""
    return frozenset(name for question in seen.questions for name in question.nodes)


def part(plan: Plan, seen: Survey) -> Part | None:
    """Return how much of a plan a survey looked at; None: all of it."""
    looked_at = plan_of(plan, nodes_asked(seen))
    asked = {question.endpoint for question in seen.questions}
    left_out = tuple(kind for kind in _endpoints(looked_at) if kind not in asked)
    if len(looked_at.nodes) == len(plan.nodes) and not left_out:
        return None
    return Part(len(plan.nodes), tuple(kind for kind in Endpoint if kind in asked), left_out)


def visits_left_out(plan: Plan, seen: Survey) -> tuple[str, ...]:
    """Return the request contexts (`[[eap.visit]]`) of the nodes looked at in which EAP was not
    asked, though it was asked otherwise: a sweep leaves them to the look at one node."""
    asks = [q.handshake for q in seen.questions if q.endpoint is Endpoint.EAP and q.handshake]
    if not asks:
        return ()
    asked = {ask.visit for ask in asks}
    nodes = plan_of(plan, nodes_asked(seen)).nodes
    named = (str(visit.name) for node in nodes if node.eap for visit in node.eap.visits)
    return tuple(dict.fromkeys(name for name in named if name not in asked))


def _endpoints(plan: Plan) -> tuple[Endpoint, ...]:
    """Return what there is to ask of a plan's nodes."""
    there = {
        Endpoint.DNS: plan.resolvers and not all(is_address(node.host) for node in plan.nodes),
        Endpoint.WEB: plan.nodes,
        Endpoint.EAP: any(node.eap is not None for node in plan.nodes),
        Endpoint.RADSEC: any(node.radsec is not None for node in plan.nodes),
    }
    return tuple(kind for kind, is_there in there.items() if is_there)
