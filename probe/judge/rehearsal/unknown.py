"""What a rehearsal cannot know, or takes for granted: told with every answer that it matters to."""

from collections import defaultdict
from collections.abc import Iterator

from probe.bundle import Judged
from probe.certificate.facts import facts_of
from probe.judge.rehearsal.memory import by_hand
from probe.judge.rehearsal.way import Way, World
from probe.judge.words import called, listing, quoted_name, verb
from probe.observation.model import Aspect, Endpoint, KeyFamily
from probe.plan.model import Plan


def unknown(plan: Plan, bundle: Judged, world: World, way: Way) -> Iterator[str]:
    """Yield a sentence for each thing."""
    yield (
        "Taken for granted: each node serves the chain as it is in the files, with its key, once"
        " its service is restarted; what a restart interrupts is not in here."
    )
    if len(world.endpoints) > 1 and bundle.nodes_why != "named":
        yield "It fits the web and EAP alike, so it is rehearsed for both: --for decides."
    yield from _root(bundle)
    yield from _virtual(plan, world, way)
    yield from _by_method(world, way)
    yield from _families(world)
    yield from _authorities(bundle, world)
    if not world.seen.lookups:
        yield (
            "No resolver was asked: what stands in DNS of CAs and keys (CAA, TLSA) is not in here."
        )
    if any(
        r.served is not None and r.served.staple and r.endpoint in world.endpoints
        for r in world.seen.handshakes
    ):
        yield (
            "Servers that staple an OCSP response today may staple one for the new certificate,"
            " too: rehearsed is that they do not."
        )
    if by_hand(plan) and Endpoint.EAP in world.endpoints:
        yield (
            "Who is set up by hand is taken to have accepted what his node serves today. Who has"
            " accepted an older certificate is asked, or refused, today already."
        )
    if plan.radsec_roots or any(node.radsec is not None for node in plan.nodes):
        yield "RadSec endpoints are taken to keep their certificates."


def alone(bundle: Judged) -> Iterator[str]:
    """Yield a sentence where the files hold more servers' certificates than the one that is
    rehearsed."""
    others = [called(facts_of(der)) for der in bundle.offered.others]
    if others:
        yield (
            f"Rehearsed is {called(facts_of(bundle.offered.chain[0]))} alone: the files hold"
            f" {listing(others)}, too, which {verb(others, 'is', 'are')} to be rehearsed by"
            f" {verb(others, 'itself', 'themselves')}."
        )


def _root(bundle: Judged) -> Iterator[str]:
    last = bundle.authorities[-1] if bundle.authorities else None
    if last is not None and last.certificate is None:
        yield (
            f"The certificate of the CA {quoted_name(last.subject)} is nowhere at hand: what it"
            " would spare to give it to clients first could not be rehearsed. Name its file, too."
        )


def not_served(world: World, way: Way) -> Iterator[str]:
    """Yield a sentence for each endpoint at which nodes that are to get it show nothing today: of
    these nothing can be foretold."""
    for endpoint in sorted(world.endpoints):
        served = {
            node
            for record in world.seen.handshakes
            if record.endpoint is endpoint and record.served is not None
            for node in record.nodes
        }
        silent = [node for node in way.order if node not in served]
        if silent:
            yield (
                f"{listing(silent)} {verb(silent, 'shows', 'show')} no certificate"
                f" ({endpoint.value}), so nothing is rehearsed there."
            )


def _virtual(plan: Plan, world: World, way: Way) -> Iterator[str]:
    names = _behind_virtual(plan, world, way)
    if names:
        yield (
            f"Behind the virtual {verb(names, 'address', 'addresses')} of {listing(names)} any"
            " node may answer: what is there is shown as it was until all are done that may have"
            " answered today."
        )


def sooner(plan: Plan, world: World, way: Way) -> Iterator[str]:
    """Yield a sentence where what a roll-out brings may be met before its step."""
    names = _behind_virtual(plan, world, way)
    if names:
        yield (
            f"Behind the virtual {verb(names, 'address', 'addresses')} of {listing(names)} that may"
            " begin with the first node that is done, as any of them may answer there."
        )


def _behind_virtual(plan: Plan, world: World, way: Way) -> list[str]:
    return [
        service.name
        for service in plan.services
        if service.endpoint in world.endpoints
        and service.addresses
        and len(set(service.nodes) & set(way.order)) > 1
    ]


def _by_method(world: World, way: Way) -> Iterator[str]:
    shown: dict[tuple[str, KeyFamily], set[str]] = defaultdict(set)
    for record in world.seen.handshakes:
        if record.endpoint is Endpoint.EAP and len(record.nodes) == 1 and record.served:
            for leaf in record.served.chain[:1]:
                family = facts_of(world.seen.certificates[leaf]).key_family
                shown[record.nodes[0], family].add(leaf)
    several = [
        node
        for node in way.order
        if any(len(leaves) > 1 for (of, _), leaves in shown.items() if of == node)
    ]
    if Endpoint.EAP in world.endpoints and several:
        yield (
            f"{listing(several)} {verb(several, 'shows', 'show')} more than one certificate for"
            " EAP, by method or as the request has it: rehearsed is that this one takes the place"
            " of each."
        )


def _families(world: World) -> Iterator[str]:
    asked = any(
        record.endpoint is Endpoint.EAP and record.asked.aspect is Aspect.FAMILY
        for record in world.seen.handshakes
    )
    if Endpoint.EAP in world.endpoints and not asked:
        yield (
            "Whether nodes have a certificate of another kind of key for EAP besides was not asked"
            " when they were looked at: one that stays is not in here."
        )


def _authorities(bundle: Judged, world: World) -> Iterator[str]:
    fetched = {fetch.certificate for fetch in world.seen.fetches}
    unasked = [
        facts.subject
        for facts in map(facts_of, bundle.offered.chain)
        if (facts.crl_addresses or facts.ocsp_addresses) and facts.sha256 not in fetched
    ]
    if unasked:
        yield (
            "Whether the certificates of the files have been revoked was not asked, and counts as"
            " unseen at every step."
        )
