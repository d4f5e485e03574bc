"""Why a fault at some of the nodes is met at times, and at others not."""

from collections.abc import Iterator

from probe.assessment import Assessment, Finding, Note
from probe.judge.complaint.understood import Understood
from probe.judge.words import listing, verb
from probe.observation.model import Endpoint
from probe.plan.model import Plan, Service


def came_and_went(
    plan: Plan,
    taken: Understood,
    now: Assessment,
    finding: Finding,
    endpoint: Endpoint,
    *,
    unknown: frozenset[str],
) -> str | None:
    """Return why it is not always met, in a sentence or two; None: it always is.

    `unknown` are the nodes that showed no certificate: of them nothing is known.
    """
    met = taken.reach.of(endpoint)
    faulty = tuple(node for node in met if node in finding.nodes)
    reasons = list(_changing(now, faulty, endpoint))
    if faulty and len(faulty) < len(met):
        reasons.insert(0, _partly(plan, taken, finding, endpoint, faulty, unknown))
    return " ".join(reasons) or None


def _partly(
    plan: Plan,
    taken: Understood,
    finding: Finding,
    endpoint: Endpoint,
    faulty: tuple[str, ...],
    unknown: frozenset[str],
) -> str:
    met = taken.reach.of(endpoint)
    others = tuple(node for node in met if node not in faulty)
    fine = tuple(node for node in others if node not in unknown)
    open_ = tuple(node for node in others if node in unknown)
    only = f"{listing(faulty)} {verb(faulty, 'shows', 'show')} it"
    if fine:
        only += f", {listing(fine)} {verb(fine, 'does', 'do')} not"
    if open_:
        only += f", and of {listing(open_)} nothing is known"
    if endpoint is not Endpoint.WEB and taken.reach.ordered:
        site = taken.complaint.site
        if met[0] in faulty:
            return (
                f"{only}: at {site} {met[0]} is asked first, so that it is met as long as"
                f" {met[0]} answers."
            )
        return (
            f"{only}: at {site} {met[0]} is asked first, so that it is met while"
            f" {listing(met[: _before(met, faulty)], last='or')} is busy or away."
        )
    virtual = _service(plan, taken, finding, endpoint)
    if virtual is not None and virtual.addresses:
        return f"{only}: behind the address of {virtual.name} a balancer chooses one of them."
    if endpoint is Endpoint.WEB:
        name = virtual.name if virtual is not None else taken.reach.page
        if name is None:
            return (
                f"{only}: which of them is met depends on the name that is opened, and on the"
                " address that DNS gives first."
            )
        leads = "rotates among" if virtual is not None and virtual.any_of else "leads to"
        return f"{only}: {name} {leads} several addresses, and a browser takes any of them."
    return f"{only}: which of them an access point asks depends on its order, and on who answers."


def _before(met: tuple[str, ...], faulty: tuple[str, ...]) -> int:
    return min(met.index(node) for node in faulty)


def _service(plan: Plan, taken: Understood, finding: Finding, endpoint: Endpoint) -> Service | None:
    wanted = finding.name or taken.reach.page
    kind = Endpoint.WEB if endpoint is Endpoint.WEB else Endpoint.EAP
    found = [s for s in plan.services if s.endpoint is kind and set(s.nodes) & set(finding.nodes)]
    if endpoint is Endpoint.WEB:
        found = [s for s in found if wanted == s.name or wanted in s.addresses]
    return next((s for s in found if s.addresses), found[0] if found else None)


def _changing(now: Assessment, faulty: tuple[str, ...], endpoint: Endpoint) -> Iterator[str]:
    """Yield what makes one and the same node answer differently."""
    told: list[Finding | Note] = [*now.findings, *now.notes]
    for one in told:
        nodes = tuple(node for node in faulty if node in one.nodes)
        if not nodes or one.endpoint is not endpoint:
            continue
        if one.rule.endswith("-unequal-answers"):
            yield f"{listing(nodes)} {verb(nodes, 'does', 'do')} not show the same every time."
        if one.rule == "eap-resumption-on":
            yield (
                f"Sessions resume at {listing(nodes)}, so that a client which was let in before"
                " meets the certificate only when its session has ended."
            )
        if one.rule.endswith("-families-differ"):
            yield (
                f"{listing(nodes)} {verb(nodes, 'has', 'have')} a certificate of each key family,"
                " and clients choose."
            )
