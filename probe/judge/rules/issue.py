"""What is worth knowing of certificates by their date of issue, and is no fault that was seen."""

from collections import defaultdict
from collections.abc import Iterator

from probe.assessment import Note, Verdict
from probe.certificate.facts import CertFacts
from probe.judge.case import Case
from probe.judge.catalogue import BY_ID
from probe.judge.draft import Draft, Sighting, name_of, nodes_of, resting_on
from probe.judge.objections import timestamps_came
from probe.judge.requirements import too_long_under_other_roots
from probe.judge.rules.certificate import authorities, readable
from probe.judge.standing import Standing
from probe.judge.words import called, day, listing, verb
from probe.observation.model import Endpoint
from probe.plan.model import Acceptance

_TIMESTAMPS = "web-too-few-timestamps"
_LIFETIME = "web-lifetime-too-long"
_NOT_LOOKED_AT = "it brings no timestamps itself; the handshake and a staple were not looked at"


def timestamps_elsewhere(case: Case) -> Iterator[Draft | Note]:
    """Yield what cannot be said of public leaves that bring no timestamps themselves.

    A survey of an earlier version did not ask the handshake and the staple for them: under a root
    programme's own set that is something not seen. Where the plan calls a file of its own public,
    whether a programme knows that root is not known, and it is worth a note.
    """
    found: dict[tuple[str, Acceptance | None], list[Sighting]] = defaultdict(list)
    noted: dict[tuple[str, bool], list[Sighting]] = defaultdict(list)
    for visit in readable(case, Endpoint.WEB):
        leaf = case.leaf(visit)
        known, came = case.standing(leaf.sha256), timestamps_came(case, visit)
        if known.standing is not Standing.PUBLIC or came or (came is False and known.versioned):
            continue
        sighting = Sighting(visit, leaf.sha256, (), _NOT_LOOKED_AT)
        if known.versioned:
            accepted = case.acceptance(_TIMESTAMPS, visit.nodes, visit.name)
            found[leaf.issuer, accepted].append(sighting)
        else:
            noted[leaf.issuer, came is None].append(sighting)
    for (_, accepted), sightings in found.items():
        nodes, leaves = nodes_of(case, sightings), _leaves(sightings)
        draft = Draft(
            rule_id=_TIMESTAMPS,
            nodes=nodes,
            name=name_of(case, sightings),
            certificates=leaves,
            verdict_at_best=Verdict.UNSEEN,
            says=f"{_serve(nodes)} {_certificate(case, leaves)} without signed timestamps in it;"
            " whether they come by the handshake or a staple was not looked at.",
            remedy="Have the CA issue it again with the timestamps in it, import it on"
            f" {listing(nodes)}, then restart the web service there.",
            accepted=accepted,
        )
        yield resting_on(draft, sightings)
    for (_, not_asked), sightings in noted.items():
        nodes, leaves = nodes_of(case, sightings), _leaves(sightings)
        elsewhere = (
            "; whether they come by the handshake or a staple was not looked at"
            if not_asked
            else ", and none come by the handshake or a staple"
        )
        says = (
            f"{_serve(nodes)} {_certificate(case, leaves)} without signed timestamps in it"
            f"{elsewhere}. Browsers demand them of CAs that their root programmes know."
        )
        yield _note(_TIMESTAMPS, Endpoint.WEB, nodes, says)


def long_under_private_roots(case: Case) -> Iterator[Note]:
    """Yield a note for private leaves that live longer than one platform takes of any CA's."""
    found: dict[str, list[Sighting]] = defaultdict(list)
    for visit in readable(case, Endpoint.WEB):
        leaf = case.leaf(visit)
        if leaf.self_signed or leaf.not_before is None or leaf.not_after is None:
            continue
        public = case.standing(leaf.sha256).standing is Standing.PUBLIC
        apple = any(client.family == "apple-web" for client in case.browsers(visit.audience))
        if apple and not public and too_long_under_other_roots(leaf.not_before, leaf.not_after):
            found[leaf.issuer].append(Sighting(visit, leaf.sha256))
    for sightings in found.values():
        nodes, leaves = nodes_of(case, sightings), _leaves(sightings)
        says = (
            f"{_serve(nodes)} {_certificate(case, leaves)} for more than 825 days, which Apple"
            " browsers do not take of a private CA either, unless the certificate itself was"
            " trusted by hand."
        )
        yield Note(
            _LIFETIME,
            Endpoint.WEB,
            nodes,
            None,
            says,
            "Apple support 103769; Apple Security framework source, TLS server policy",
        )


def far_authorities(case: Case) -> Iterator[Note]:
    """Yield a note for each CA certificate that ends after the plan's window, and still before a
    certificate that is issued today would."""
    for endpoint in (Endpoint.WEB, Endpoint.EAP):
        found: dict[str, tuple[CertFacts, list[Sighting]]] = {}
        for visit in readable(case, endpoint):
            leaf = case.leaf(visit)
            if leaf.not_before is None or leaf.not_after is None:
                continue
            lifetime = leaf.not_after - leaf.not_before
            for authority, end in authorities(case, visit):
                if end > case.anchor_horizon and end - case.at < lifetime:
                    _, sightings = found.setdefault(authority.sha256, (authority, []))
                    sightings.append(Sighting(visit, authority.sha256))
        for authority, sightings in found.values():
            nodes = nodes_of(case, sightings)
            says = (
                f"The CA certificate {called(authority)} over what {listing(nodes)}"
                f" {verb(nodes, 'serves', 'serve')} ends on {day(authority.not_after)}, before a"
                " certificate that is issued today would."
            )
            yield _note(f"{endpoint.value}-anchor-expiring", endpoint, nodes, says)


def _note(rule_id: str, endpoint: Endpoint, nodes: tuple[str, ...], says: str) -> Note:
    return Note(rule_id, endpoint, nodes, None, says, BY_ID[rule_id].source)


def _serve(nodes: tuple[str, ...]) -> str:
    return f"{listing(nodes)} {verb(nodes, 'serves', 'serve')} over HTTPS"


def _leaves(sightings: list[Sighting]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(sighting.visit.chain[0] for sighting in sightings))


def _certificate(case: Case, leaves: tuple[str, ...]) -> str:
    first = called(case.facts[leaves[0]])
    return f"the certificate {first}" if len(leaves) == 1 else f"certificates such as {first}"
