"""What only EAP servers are held to: the names that supplicants expect, and one certificate for two
worlds."""

from collections import defaultdict
from collections.abc import Iterator

from probe.assessment import Note
from probe.certificate.facts import CertFacts
from probe.judge.case import REFERENCE, Case, Visit
from probe.judge.catalogue import BY_ID
from probe.judge.clients.reactions import Reacted, react
from probe.judge.draft import Draft, Sighting, nodes_of, resting_on
from probe.judge.names import supplicant_covers
from probe.judge.words import called, listing, verb
from probe.observation.model import Endpoint
from probe.plan.model import Acceptance, Client, Setup

_UNEXPECTED = "eap-name-unexpected"
_WILDCARD = "eap-wildcard-name"
_IN_SUBJECT = "the subject's common name is a wildcard"

_Objection = tuple[str, str, tuple[Reacted, ...]]
"""Rule, why in words, and who minds."""


def names(case: Case) -> Iterator[Draft]:
    """Yield a draft for each cause for which supplicants do not find a name that they expect."""
    causes: dict[tuple[str, tuple[str, ...], Acceptance | None], list[Sighting]] = defaultdict(list)
    asked: dict[tuple[str, tuple[str, ...]], tuple[_Objection, ...]] = {}
    for visit in case.eap:
        wanted = expected(case, visit)
        if not visit.chain or not wanted:
            continue
        leaf = case.leaf(visit)
        key = leaf.sha256, wanted
        if key not in asked:
            asked[key] = tuple(objections(case, leaf, wanted)) if leaf.readable else ()
        for rule_id, why, reacted in asked[key]:
            accepted = case.acceptance(rule_id, visit.nodes, None)
            sighting = Sighting(visit, leaf.sha256, reacted, why)
            causes[rule_id, wanted, accepted].append(sighting)
    for (rule_id, known, accepted), sightings in causes.items():
        nodes = nodes_of(case, sightings)
        leaves = tuple(dict.fromkeys(sighting.visit.chain[0] for sighting in sightings))
        wanted_names = listing(known, last="or")
        shown, again = "the certificate", "the certificate"
        if len(leaves) > 1:
            shown, again = f"{len(leaves)} certificates such as", "each of them"
        fault = "carries" if len(leaves) == 1 else "carry"
        if rule_id == _UNEXPECTED:
            fault = f"{fault} none of the names that supplicants expect ({wanted_names})"
        elif all(sighting.detail == _IN_SUBJECT for sighting in sightings):
            fault = "has" if len(leaves) == 1 else "have"
            fault = f"{fault} a wildcard for a common name"
        else:
            fault = f"{fault} {wanted_names} by a wildcard only"
        draft = Draft(
            rule_id=rule_id,
            nodes=nodes,
            certificates=leaves,
            says=f"{listing(nodes)} {verb(nodes, 'serves', 'serve')} for EAP {shown}"
            f" {called(case.facts[leaves[0]])}, which {fault}.",
            remedy=f"Have {again} issued again with {wanted_names} in full among its DNS names,"
            f" import it on {listing(nodes)}, then restart the RADIUS service there.",
            accepted=accepted,
        )
        yield resting_on(draft, sightings)


def expected(case: Case, visit: Visit) -> tuple[str, ...]:
    """Return the names that the plan's supplicants expect at the place of a visit."""
    eap = case.nodes[visit.nodes[0]].eap if visit.nodes else None
    return eap.expected_names if eap is not None else ()


def objections(case: Case, leaf: CertFacts, expected: tuple[str, ...]) -> Iterator[_Objection]:
    """Yield for what supplicants object to a certificate's names, and who does; nothing where no
    name is expected."""
    if not expected:
        return
    profiles = [client for client in case.supplicants if client.setup is Setup.PROFILE]
    # Without a profile on site nobody checks names: the standards' reading, which nobody feels.
    # What a profile of the plan expects is another rule's: it goes before the plan's own names.
    asked: list[tuple[str, tuple[Client, ...]]]
    asked = [(client.family, (client,)) for client in profiles if not case.given[client]]
    if not profiles:
        asked = [(REFERENCE[Endpoint.EAP], ())]
    found: dict[str, tuple[str, list[Reacted]]] = {}
    for family, clients in asked:
        match = supplicant_covers(leaf, expected, family)
        if match.covered:
            continue
        kind = "wildcard-name" if match.by_wildcard else "name-unexpected"
        _, reacted = found.setdefault(f"eap-{kind}", (match.why, []))
        reacted += react(clients, kind)
    windows = [client for client in profiles if client.family == "windows-eap"]
    if windows and any("*" in name for name in leaf.common_names) and _UNEXPECTED not in found:
        # From memory: older versions refuse a wildcard in the subject, whatever else is named.
        _, reacted = found.setdefault(_WILDCARD, (_IN_SUBJECT, []))
        reacted += [one for one in react(windows, "wildcard-name") if one not in reacted]
    for rule_id, (why, reacted) in found.items():
        yield rule_id, why, tuple(reacted)


def same_as_web(case: Case) -> Iterator[Note]:
    """Yield a note for each certificate that a node serves on both endpoints."""
    web: dict[str, set[str]] = defaultdict(set)
    for visit in case.web:
        if visit.chain:
            web[visit.chain[0]].update(visit.nodes)
    both: dict[str, set[str]] = defaultdict(set)
    for visit in case.eap:
        if visit.chain:
            leaf = visit.chain[0]
            both[leaf].update(web.get(leaf, set()) & set(visit.nodes))
    for leaf, found in both.items():
        nodes = case.sort_nodes(found)
        if nodes:
            yield Note(
                "eap-same-as-web",
                Endpoint.EAP,
                nodes,
                None,
                f"{listing(nodes)} {verb(nodes, 'serves', 'serve')} the certificate"
                f" {called(case.facts[leaf])} for EAP and over HTTPS: one renewal changes both.",
                BY_ID["eap-same-as-web"].source,
            )
