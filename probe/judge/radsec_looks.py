"""What a closer look at RadSec addresses showed, laid out for reading. No opinion is in it."""

from collections import defaultdict
from collections.abc import Sequence

from probe.assessment import MethodSeen, RadsecLook
from probe.observation.model import Aspect, Endpoint, Handshake, Outcome, Survey


def radsec_looks(survey: Survey) -> tuple[RadsecLook, ...]:
    """Return a look for each address that was asked for old versions too, in the order of the
    questions. A sweep asks for none, and has none."""
    places: dict[tuple[tuple[str, ...], str | None, int], list[Handshake]] = defaultdict(list)
    for record in survey.handshakes:
        if record.endpoint is Endpoint.RADSEC:
            places[record.nodes, record.asked.address, record.asked.port].append(record)
    by_udp = {
        record.served.chain[0]
        for record in survey.handshakes
        if record.endpoint is Endpoint.EAP and record.served is not None and record.served.chain
    }
    return tuple(
        _look(visits, by_udp)
        for visits in places.values()
        if any(visit.asked.aspect is Aspect.OLD_VERSION for visit in visits)
    )


def _look(visits: Sequence[Handshake], by_udp: set[str]) -> RadsecLook:
    first = next((visit for visit in visits if visit.asked.aspect is None), visits[0])
    went_in = (v for v in visits if v.asked.aspect is Aspect.INSIDE and v.served is not None)
    inside = next(went_in, None)
    seen = first.radsec
    within = inside.radsec if inside is not None else None
    behind = within.eap_served if within is not None else None
    leaf = behind.chain[0] if behind is not None and behind.chain else None
    return RadsecLook(
        nodes=first.nodes,
        address=first.asked.address,
        port=first.asked.port,
        certificate_asked=seen.certificate_asked if seen else None,
        client_authorities=seen.client_authorities if seen else None,
        alpn=seen.alpn if seen else None,
        versions=_agreed(visits),
        versions_refused=_refused(visits),
        inside=inside.outcome.value if inside else None,
        status_reply=within.status_reply if within else None,
        eap=_eap(inside) if inside else None,
        eap_leaf=leaf,
        eap_elsewhere=leaf in by_udp if leaf is not None and by_udp else None,
    )


def _agreed(visits: Sequence[Handshake]) -> tuple[str, ...]:
    agreed = (visit.served.tls for visit in visits if visit.served is not None)
    return tuple(sorted({version.value for version in agreed if version is not None}))


def _refused(visits: Sequence[Handshake]) -> tuple[str, ...]:
    """Return the versions of hellos that were refused, that with the plan's certificate aside."""
    hellos = (
        visit.asked.tls
        for visit in visits
        if visit.outcome is Outcome.REFUSED and visit.asked.aspect is not Aspect.INSIDE
    )
    return tuple(sorted({version.value for versions in hellos for version in versions}))


def _eap(inside: Handshake) -> MethodSeen | None:
    if inside.radsec is None or inside.radsec.eap_outcome is None:
        return None
    agreed = inside.eap.method if inside.eap is not None else None
    asked = agreed or next(iter(inside.asked.methods), None)
    return MethodSeen(
        method=asked.value if asked is not None else "",
        outcome=inside.radsec.eap_outcome.value,
        round_trips=inside.round_trips,
        largest_fragment=max(inside.eap.fragments, default=None) if inside.eap else None,
    )
