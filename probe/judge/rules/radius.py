"""RADIUS itself: whether replies and requests are signed, how many rounds a login takes, and
whether sessions are resumed."""

from collections import defaultdict
from collections.abc import Hashable, Iterator

from probe.assessment import Note, Verdict
from probe.judge.case import Case, Visit
from probe.judge.catalogue import BY_ID
from probe.judge.draft import Draft, Sighting, addresses_of, beside_chains, nodes_of, resting_on
from probe.judge.narrowed import ROUNDS_OF_MANY, ROUNDS_OF_MOST, Why, narrowing_of
from probe.judge.words import called, clip, listing, verb
from probe.observation.model import Aspect, Endpoint, Outcome, RadiusSeen
from probe.plan.model import Acceptance

UNSIGNED_REPLY = "eap-unsigned-reply"
UNSIGNED_ACCEPTED = "eap-unsigned-accepted"
LONG_CHAIN = "eap-long-chain"
RESUMPTION = "eap-resumption-on"

_PLACE = "draft-ietf-radext-deprecating-radius (work in progress)"

LEAST_MTU = 1_020
"""Octets of one EAP packet that every lower layer carries (RFC 9191, 1)."""

_LOGIN = 4
"""Round trips of a login whose every message fits in one fragment: identity, hello, the client's
own flight, the end (RFC 5216, 2.1.1; RFC 9190, figure 1). The further fragments come on top."""


# ---------------------------------------------------------------- signed or not


def unsigned_replies(case: Case) -> Iterator[Draft | Note]:
    """Yield a draft for nodes whose EAP replies carry no Message-Authenticator: authenticators
    discard them (RFC 3579, 3.2). Where it stands in the packet is a note, once for all nodes."""
    found: dict[Acceptance | None, list[Sighting]] = defaultdict(list)
    not_first: set[str] = set()
    for visit in case.asked_of_eap:
        radius = visit.record.radius
        if radius is None or not visit.nodes or visit.aspect is Aspect.UNSIGNED:
            continue
        if radius.message_authenticator is False and _of_eap(visit, radius):
            accepted = case.acceptance(UNSIGNED_REPLY, visit.nodes, None)
            detail = "a reply with EAP-Message came without Message-Authenticator"
            found[accepted].append(Sighting(visit, None, (), detail))
        elif radius.message_authenticator and radius.authenticator_first is False:
            not_first.update(visit.nodes)
    for accepted, sightings in found.items():
        nodes = nodes_of(case, sightings)
        draft = Draft(
            rule_id=UNSIGNED_REPLY,
            nodes=nodes,
            fault=addresses_of(sightings),
            says=f"{listing(nodes)} {verb(nodes, 'sends', 'send')} EAP replies without"
            " Message-Authenticator: access points that keep to the standard drop them.",
            remedy=f"Have the RADIUS service on {listing(nodes)} put a Message-Authenticator into"
            " every reply (bring it up to date, or look at the proxy between).",
            accepted=accepted,
        )
        yield beside_chains(draft, sightings)
    if not_first:
        nodes = case.sort_nodes(not_first)
        yield Note(
            UNSIGNED_REPLY,
            Endpoint.EAP,
            nodes,
            None,
            f"{listing(nodes)} {verb(nodes, 'puts', 'put')} the Message-Authenticator elsewhere"
            " than first in replies, as many servers do. A draft wants it first, against replies"
            " forged by MD5 collisions.",
            _PLACE,
        )


def _of_eap(visit: Visit, radius: RadiusSeen) -> bool:
    """Whether it was a reply with EAP in it: a bare Access-Reject need not be signed. Surveys of
    an earlier version, which did not note the longest reply, did not look at that."""
    told = radius.largest_reply is not None
    return told or bool(visit.chain) or radius.reply == "Access-Challenge"


def unsigned_accepted(case: Case) -> Iterator[Draft]:
    """Yield a draft for nodes that answer a request without Message-Authenticator.

    An Access-Reject is an answer where the signed request meets the same; else it may well say that
    the request is not taken.
    """
    rejecting = {
        visit.server
        for visit in case.asked_of_eap
        if visit.aspect is None and visit.record.outcome is Outcome.REJECTED
    }
    found: dict[Acceptance | None, list[Sighting]] = defaultdict(list)
    for visit in case.aside(Aspect.UNSIGNED, Endpoint.EAP):
        reply = visit.record.radius.reply if visit.record.radius else None
        answered = reply in ("Access-Challenge", "Access-Accept")
        rejected = reply == "Access-Reject" and visit.server in rejecting
        if visit.nodes and (answered or rejected):
            accepted = case.acceptance(UNSIGNED_ACCEPTED, visit.nodes, None)
            detail = f"{reply} in answer to a request without Message-Authenticator"
            found[accepted].append(Sighting(visit, None, (), detail))
    for accepted, sightings in found.items():
        nodes = nodes_of(case, sightings)
        draft = Draft(
            rule_id=UNSIGNED_ACCEPTED,
            nodes=nodes,
            fault=addresses_of(sightings),
            says=f"{listing(nodes)} {verb(nodes, 'answers', 'answer')} EAP requests without"
            " Message-Authenticator, which anybody can forge.",
            remedy="Have the RADIUS service on"
            f" {listing(nodes)} demand a Message-Authenticator of every client.",
            accepted=accepted,
        )
        yield beside_chains(draft, sightings)


# ---------------------------------------------------------------- rounds


def long_chain(case: Case) -> Iterator[Draft]:
    """Yield a draft for chains whose login takes more round trips than common authenticators
    allow, at the fragment sizes that are common on site (RFC 9191, 1 and 3)."""
    narrowing = narrowing_of(case)
    found: dict[tuple[bool, bool, Acceptance | None], list[Sighting]] = defaultdict(list)
    visits = [visit for visit in case.eap if visit.nodes]
    given_up = [visit for visit in visits if narrowing.why(visit) is Why.LONG]
    struck = {visit.server for visit in given_up}
    long_at: set[Hashable] = set()
    for visit in visits:
        if not visit.chain:
            continue
        rounds = {size: _rounds(case, visit, size) for size in _sizes(case, visit)}
        if max(rounds.values()) > ROUNDS_OF_MANY:
            told = _arithmetic(case, visit, rounds)
            # In the largest ones, those of this site, it is what every login takes.
            blocked = min(rounds.values()) > ROUNDS_OF_MOST or visit.server in struck
            accepted = case.acceptance(LONG_CHAIN, visit.nodes, None)
            found[blocked, True, accepted].append(Sighting(visit, visit.chain[0], (), told))
            long_at.add(visit.server)
    for visit in given_up:
        told = clip(visit.record.detail or visit.record.outcome.value)
        told += f"; {_sum(visit)} octets in {_fragments(visit)} fragments until then"
        accepted = case.acceptance(LONG_CHAIN, visit.nodes, None)
        found[True, visit.server in long_at, accepted].append(Sighting(visit, None, (), told))
    for (blocked, seen, accepted), sightings in found.items():
        yield _long(case, sightings, accepted, blocked=blocked, shown=seen)


def _flight(case: Case, visit: Visit) -> int:
    """Return the octets that the server has to send: what was seen, and the chain at least, as a
    visit may end in the midst of it."""
    chain = sum(len(case.survey.certificates[sha256]) for sha256 in visit.chain)
    return max(_sum(visit), chain)


def _sizes(case: Case, visit: Visit) -> tuple[int, ...]:
    """Return the sizes of fragments that are common on site, largest first."""
    eap = case.nodes[visit.nodes[0]].eap
    largest = max(visit.record.eap.fragments, default=0) if visit.record.eap else 0
    sizes = {LEAST_MTU}
    if eap is not None and eap.framed_mtu >= largest:
        sizes.add(eap.framed_mtu)  # else it is not heeded there
    if _fragments(visit) > 1 and largest:
        # The first one is full: the server's own size. A single one tells nothing of that.
        sizes = {size for size in sizes if size <= largest} | {largest}
    return tuple(sorted(sizes, reverse=True))


def _rounds(case: Case, visit: Visit, size: int) -> int:
    return _LOGIN - 1 + -(-_flight(case, visit) // size)


def _sum(visit: Visit) -> int:
    return sum(visit.record.eap.fragments) if visit.record.eap else 0


def _authorities(visit: Visit) -> tuple[str, ...]:
    """Return the CA names that come with the chain in EAP-TLS."""
    return (visit.record.eap.client_authorities or ()) if visit.record.eap else ()


def _fragments(visit: Visit) -> int:
    return len(visit.record.eap.fragments) if visit.record.eap else 0


def _arithmetic(case: Case, visit: Visit, rounds: dict[int, int]) -> str:
    flight = _flight(case, visit)
    sums = [
        f"{size}: {trips - _LOGIN + 1} fragments, and {_LOGIN - 1} round trips besides, are {trips}"
        for size, trips in rounds.items()
    ]
    return f"{flight} octets, in fragments of {'; of '.join(sums)}"


def _long(
    case: Case,
    sightings: list[Sighting],
    accepted: Acceptance | None,
    *,
    blocked: bool,
    shown: bool,
) -> Draft:
    nodes = nodes_of(case, sightings)
    limit = ROUNDS_OF_MOST if blocked else ROUNDS_OF_MANY
    leaves = tuple(dict.fromkeys(s.certificate for s in sightings if s.certificate))
    count = max(len(sighting.visit.chain) for sighting in sightings)
    serving = f"{listing(nodes)} {verb(nodes, 'serves', 'serve')} for EAP"
    what, fewer = "its certificate", ""
    says = f"{listing(nodes)} {verb(nodes, 'has', 'have')} not shown a certificate for EAP after"
    says += f" {limit} round trips, where common authenticators give up."
    if shown:
        what = called(case.facts[leaves[0]])
        certificates = f"{count} certificates" if count > 1 else "one certificate"
        named = max(len(_authorities(sighting.visit)) for sighting in sightings)
        besides = f" and the names of {named} CAs of clients, which take" if named > count else ""
        says = f"{serving} a chain of {certificates}, that of {what},{besides or ' which takes'} a"
        says += f" login over {limit} round trips: {'' if blocked else 'some '}common"
        says += " authenticators give up."
        fewer = f" with {what}"
    draft = Draft(
        rule_id=LONG_CHAIN,
        nodes=nodes,
        certificates=leaves,
        fault=() if leaves else addresses_of(sightings),
        verdict_at_best=Verdict.BLOCKED if blocked else None,
        says=says,
        remedy=f"Serve fewer or smaller certificates{fewer} on {listing(nodes)} (elliptic curve"
        " keys, none that clients do not need), name fewer CAs, or raise the fragment size there.",
        accepted=accepted,
    )
    return resting_on(draft, sightings)


# ---------------------------------------------------------------- resumption


def resumption(case: Case) -> Iterator[Note]:
    """Yield a note, once, for nodes whose sessions are resumed."""
    found: set[str] = set()
    for visit in case.asked_of_eap:
        if visit.record.eap is not None and visit.record.eap.resumption:
            found.update(visit.nodes)
    nodes = case.sort_nodes(found)
    if nodes:
        yield Note(
            RESUMPTION,
            Endpoint.EAP,
            nodes,
            None,
            f"{listing(nodes)} {verb(nodes, 'offers', 'offer')} to resume TLS sessions: clients"
            " that do so are shown no certificate, and may meet a new one only hours after it was"
            " imported.",
            BY_ID[RESUMPTION].source,
        )
