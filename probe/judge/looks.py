"""What a closer look at RADIUS addresses showed, laid out for reading. No opinion is in it."""

from collections import defaultdict
from collections.abc import Iterable, Sequence

from probe.assessment import EapLook, MethodSeen
from probe.observation.model import (
    Aspect,
    Endpoint,
    Handshake,
    Method,
    Outcome,
    Question,
    Survey,
    TlsVersion,
)

_VERSIONS = (TlsVersion.TLS1_0, TlsVersion.TLS1_1, TlsVersion.TLS1_2, TlsVersion.TLS1_3)

_OF_SWEEPS = (None, Aspect.FAMILY)

Visits = Sequence[Handshake]


def eap_looks(survey: Survey) -> tuple[EapLook, ...]:
    """Return a look for each address that was asked more closely, in the order of the questions.

    A sweep has none: key families are all that it may ask for besides, after an import.
    """
    questions = {question.id: question for question in survey.questions}
    places: dict[tuple[tuple[str, ...], str | None, int], list[Handshake]] = defaultdict(list)
    for record in survey.handshakes:
        question = questions.get(record.question)
        if question is not None and question.endpoint is Endpoint.EAP:
            places[question.nodes, record.asked.address, record.asked.port].append(record)
    return tuple(
        _look(questions[visits[0].question], visits)
        for visits in places.values()
        if any(visit.asked.aspect not in _OF_SWEEPS for visit in visits)
    )


def _look(question: Question, visits: Visits) -> EapLook:
    met = [visit for visit in visits if visit.asked.aspect is None and visit.asked.visit is None]
    # What nothing was sent for, as the visit before had failed, tells nothing of its own.
    closer = [visit for visit in visits if visit.asked.aspect and visit.radius is not None]
    again = [visit for visit in _of(closer, Aspect.AGAIN) if visit.served is not None]
    first = next((visit.served.chain for visit in met if visit.served is not None), None)
    return EapLook(
        nodes=question.nodes,
        service=question.service,
        address=visits[0].asked.address,
        port=visits[0].asked.port,
        proposed=_proposed(met),
        # Of several surveys each has its own visit in each method; what is alike is told once.
        methods=tuple(dict.fromkeys(_method(visit) for visit in met)),
        versions=_versions(visits),
        versions_refused=tuple(
            version.value
            for visit in _of(closer, Aspect.OLD_VERSION)
            for version in visit.asked.tls
            if visit.outcome is Outcome.REFUSED
        ),
        families=_families(_of(closer, Aspect.FAMILY)),
        repeats=len(again),
        repeats_alike=all(visit.served and visit.served.chain == first for visit in again),
        client_authorities=_authorities(visits),
        resumption=tuple(
            dict.fromkeys(way for visit in visits if visit.eap for way in visit.eap.resumption)
        ),
        trials=tuple(trial for visit in visits for trial in visit.trials),
    )


def _of(visits: Visits, aspect: Aspect) -> list[Handshake]:
    return [visit for visit in visits if visit.asked.aspect is aspect]


def _proposed(visits: Visits) -> tuple[str, ...]:
    """Return what was proposed before we asked for anything, and after that what else was."""
    each = [visit.eap.proposed for visit in visits if visit.eap is not None]
    ours = {method.value for visit in visits for method in visit.asked.methods}
    firsts = [proposed[0] for proposed in each if proposed]
    others = [name for proposed in each for name in proposed[1:] if name not in ours]
    return tuple(dict.fromkeys([*firsts, *others]))


def _method(visit: Handshake) -> MethodSeen:
    agreed: Method | None = visit.eap.method if visit.eap is not None else None
    asked = agreed or next(iter(visit.asked.methods), None)
    return MethodSeen(
        method=asked.value if asked is not None else "",
        outcome=visit.outcome.value,
        round_trips=visit.round_trips,
        largest_fragment=max(visit.eap.fragments, default=None) if visit.eap else None,
    )


def _versions(visits: Visits) -> tuple[str, ...]:
    seen = {visit.served.tls for visit in visits if visit.served is not None}
    return tuple(version.value for version in _VERSIONS if version in seen)


def _families(visits: Visits) -> tuple[tuple[str, tuple[str, ...]], ...]:
    shown: dict[str, list[str]] = {}
    for visit in visits:
        family = visit.asked.key_family
        if family is None or visit.outcome not in (Outcome.SERVED, Outcome.REFUSED):
            continue
        under = shown.setdefault(family.value, [])
        if visit.served is not None and visit.served.key_family is family and visit.served.tls:
            under.append(visit.served.tls.value)
    return tuple((family, tuple(under)) for family, under in shown.items())


def _authorities(visits: Iterable[Handshake]) -> tuple[str, ...] | None:
    return next(
        (
            visit.eap.client_authorities
            for visit in visits
            if visit.eap is not None and visit.eap.client_authorities is not None
        ),
        None,
    )
