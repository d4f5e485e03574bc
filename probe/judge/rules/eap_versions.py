"""Old TLS versions of RADIUS servers: who speaks nothing newer, and who speaks them besides."""

from collections import defaultdict
from collections.abc import Iterable, Iterator

from probe.assessment import Note
from probe.judge.case import Case, Visit
from probe.judge.catalogue import BY_ID
from probe.judge.clients.reactions import react
from probe.judge.draft import Draft, Sighting, addresses_of, beside_chains, nodes_of
from probe.judge.narrowed import OLD, Narrowing, Why, narrowing_of
from probe.judge.rules.eap_tried import in_words
from probe.judge.words import VERSIONS, clip, listing, verb
from probe.observation.model import Aspect, Endpoint, Outcome, TlsVersion
from probe.plan.model import Acceptance

OLD_TLS = "eap-old-tls"

_BROKEN = (Outcome.MALFORMED, Outcome.NOT_TLS)


def old_tls(case: Case) -> Iterator[Draft | Note]:
    """Yield a draft for nodes that speak TLS 1.0 or 1.1 only (RFC 8996), whether the conversation
    that offers every version was served or one that offers newer ones was refused; and notes for
    those that speak them besides, or are thrown by them."""
    narrowing = narrowing_of(case)
    only: dict[Acceptance | None, list[Sighting]] = defaultdict(list)
    besides: dict[frozenset[TlsVersion], set[str]] = defaultdict(set)
    thrown: dict[frozenset[TlsVersion], set[str]] = defaultdict(set)
    for visit in case.asked_of_eap:
        served = visit.record.served
        old = served is not None and served.tls in OLD
        if not visit.nodes:
            continue
        if narrowing.old_only(visit) and (old or narrowing.why(visit) is Why.OLD):
            accepted = case.acceptance(OLD_TLS, visit.nodes, None)
            reacted = react(case.supplicants, "old-tls-only")
            only[accepted].append(Sighting(visit, None, reacted, _detail(visit)))
        elif old:
            besides[narrowing.old_versions(visit)].update(visit.nodes)
        elif visit.aspect is Aspect.OLD_VERSION and visit.record.outcome in _BROKEN:
            thrown[frozenset(visit.asked.tls)].update(visit.nodes)
    for accepted, sightings in only.items():
        yield _only(case, narrowing, accepted, sightings)
    for versions, found in besides.items():
        nodes = case.sort_nodes(found)
        spoken = _words(versions)
        yield _note(
            nodes,
            f"{listing(nodes)} still {verb(nodes, 'agrees', 'agree')} to {spoken} for EAP, beside"
            " what is newer: it is not to be used any more, and can be turned off once no client"
            " needs it.",
        )
    for versions, found in thrown.items():
        nodes = case.sort_nodes(found)
        yield _note(
            nodes,
            f"{listing(nodes)} {verb(nodes, 'does', 'do')} not refuse {_words(versions)} for EAP,"
            f" and {verb(nodes, 'answers', 'answer')} with what is no TLS.",
        )


def _detail(visit: Visit) -> str:
    served = visit.record.served
    if served is not None and served.tls is not None:
        return f"it agrees to {VERSIONS.get(served.tls, served.tls.value)}"
    ended = clip(visit.record.detail or visit.record.outcome.value)
    offered = listing([VERSIONS.get(version, version.value) for version in visit.asked.tls])
    return "; ".join((f"offered {offered}: {ended}", *in_words(visit.record.trials)))


def _only(
    case: Case, narrowing: Narrowing, accepted: Acceptance | None, sightings: list[Sighting]
) -> Draft:
    nodes = nodes_of(case, sightings)
    versions = _words(v for each in sightings for v in narrowing.old_versions(each.visit))
    draft = Draft(
        rule_id=OLD_TLS,
        nodes=nodes,
        fault=("nothing newer", *addresses_of(sightings)),
        says=f"{listing(nodes)} {verb(nodes, 'speaks', 'speak')} nothing newer than {versions} for"
        " EAP.",
        remedy="Turn TLS 1.2 and 1.3 on in the EAP settings of the RADIUS service on"
        f" {listing(nodes)}, and {versions} off.",
        accepted=accepted,
    )
    return beside_chains(draft, sightings)


def _words(versions: Iterable[TlsVersion]) -> str:
    found = frozenset(versions)
    return listing([VERSIONS[version] for version in OLD if version in found])


def _note(nodes: tuple[str, ...], says: str) -> Note:
    return Note(OLD_TLS, Endpoint.EAP, nodes, None, says, BY_ID[OLD_TLS].source)
