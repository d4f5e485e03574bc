"""What is said of revoked certificates, of what could not be learned, and of staples."""

from collections.abc import Sequence

from probe.certificate.facts import CertFacts
from probe.judge.authority.model import Answer
from probe.judge.authority.sources import Source
from probe.judge.case import Case
from probe.judge.rules.certificate_words import Said, Sentence, leaf, restart, serving, which
from probe.judge.words import called, clip, day, listing, verb
from probe.observation.model import FetchKind, FetchOutcome

_SHOWN = 3
"""Sources told of one finding."""


def _told(sources: Sequence[Source]) -> str:
    told = list(dict.fromkeys(f"{clip(source.url)}: {source.says}" for source in sources))
    return listing(told, most=_SHOWN)


def detail_of(subject: CertFacts, sources: Sequence[Source]) -> str:
    """Return what is seen of one certificate."""
    told = []
    for source in sources[:_SHOWN]:
        where = clip(source.url) if source.url else "its staple"
        answer = source.answer
        more = _since(answer) if answer is not None and answer.since is not None else ""
        told.append(f"{where}: {source.says}{more}")
    return f"{called(subject)}: {'; '.join(dict.fromkeys(told))}"


def _since(answer: Answer) -> str:
    text = f" since {day(answer.since)}" if answer.since is not None else ""
    return f"{text} ({answer.reason})" if answer.reason else text


def revoked(case: Case, said: Said, answer: Answer) -> Sentence:
    """Return that a certificate was revoked."""
    since = f" on {day(answer.since)}" if answer.since is not None else ""
    if answer.reason:
        since += f" ({answer.reason})"
    first = case.facts[said.at_fault[0]] if said.at_fault else case.facts[said.leaves[0]]
    if first.sha256 in said.leaves:
        was = "was" if len(said.leaves) == 1 else "were"
        return Sentence(
            f"{serving(said)} {leaf(case, said)}, which {was} revoked{since}.",
            "Have a new certificate issued, for a new key if the old one may be known to others,"
            f" import it on {listing(said.nodes)}, {restart(said)}.",
        )
    return Sentence(
        f"{serving(said)} {leaf(case, said)} under the CA certificate {called(first)}, which was"
        f" revoked{since}.",
        f"Import a certificate of another CA, with its chain, on {listing(said.nodes)},"
        f" {restart(said)}.",
    )


def unusable(case: Case, said: Said, sources: Sequence[Source]) -> Sentence:
    """Return that the sources which were reached are of no use to anybody."""
    first = case.facts[said.at_fault[0]] if said.at_fault else case.facts[said.leaves[0]]
    under = "" if first.sha256 in said.leaves else f" under the CA certificate {called(first)}"
    return Sentence(
        f"{serving(said)} {leaf(case, said)}{under}; whether {_were(said)} revoked cannot be"
        f" learned from the CA: {_told(sources)}.",
        f"See to it that the CA of {listing(said.nodes)} publishes at {_places(sources)} what"
        " clients can use: current, signed by itself, and of this certificate's kind.",
    )


def unseen(case: Case, said: Said, sources: Sequence[Source]) -> Sentence:
    """Return that nothing was seen, and how to see it."""
    reasons = list(dict.fromkeys(f"{_host(source)}: {source.says}" for source in sources))
    outcomes = {source.fetch.outcome if source.fetch else None for source in sources}
    if outcomes == {None}:
        remedy = (
            f"Ask about {listing(said.nodes)} without --no-fetch; or write [fetch] off = true into"
            " the plan, if nothing is to be known of revocation."
        )
    elif FetchOutcome.NOT_ALLOWED in outcomes:
        remedy = (
            f"If {_places(sources)}, which the certificate of {listing(said.nodes)} names, is your"
            " own, allow its network in the plan ([fetch] allow); or write [fetch] off = true"
            " there."
        )
    else:
        remedy = (
            f"Let this machine reach {_places(sources)}, which the certificate of"
            f" {listing(said.nodes)} names, over HTTP; or write [fetch] off = true into the plan,"
            " if nothing is to be known of revocation."
        )
    if len(reasons) > _SHOWN:
        reasons = [*reasons[:_SHOWN], f"{len(reasons) - _SHOWN} more"]
    return Sentence(
        f"{serving(said)} {leaf(case, said)}; whether {_were(said)} revoked was not seen from here"
        f" ({'; '.join(reasons)}).",
        remedy,
    )


def line(source: Source) -> str:
    """Return how to see for oneself what a source says."""
    from shlex import quote  # noqa: PLC0415  # few findings name one

    if source.kind is FetchKind.CRL:
        return f"curl -s {quote(source.url)} | openssl crl -inform DER -noout -text"
    return f"openssl ocsp -issuer CA.pem -cert SERVER.pem -resp_text -url {quote(source.url)}"


def not_fetched(nodes: tuple[str, ...]) -> str:
    """Return that the plan wants it so."""
    return (
        f"The plan wants nothing fetched from CAs: whether what {listing(nodes)}"
        f" {verb(nodes, 'serves', 'serve')} was revoked is not known."
    )


def one_unusable(nodes: tuple[str, ...], sources: Sequence[Source]) -> str:
    """Return that one source is of no use, where another one calls the certificate good."""
    return (
        f"What {listing(nodes)} {verb(nodes, 'serves', 'serve')} was not revoked; but not every"
        f" source of its CA is of use to clients: {_told(sources)}."
    )


def staple(case: Case, said: Said, detail: str, *, missing: bool) -> Sentence:
    """Return what is wrong with a staple."""
    where = listing(said.nodes)
    if missing:
        comes = "comes" if len(said.leaves) == 1 else "come"
        return Sentence(
            f"{serving(said)} {leaf(case, said)}, {which(said)} bound to come with a stapled OCSP"
            f" response, and {comes} without.",
            f"Switch OCSP stapling on at {where}, and let it reach the CA's responder; or have the"
            " certificate issued without the TLS feature extension.",
        )
    return Sentence(
        f"{serving(said)} {leaf(case, said)} with a stapled OCSP response that is of no use:"
        f" {detail.removeprefix('its staple: ')}.",
        f"See that {where} can reach the CA's responder and has the right time and chain, and"
        f" restart the {'web' if said.endpoint.value == 'web' else 'RADIUS'} service there; or"
        " switch stapling off.",
    )


def _were(said: Said) -> str:
    return "it was" if len(said.leaves) == 1 else "they were"


def _host(source: Source) -> str:
    """Return "host" or "host:port" of its address."""
    return clip(source.url.partition("://")[2].partition("/")[0] or source.url)


def _places(sources: Sequence[Source]) -> str:
    return listing(list(dict.fromkeys(clip(_host(source)) for source in sources)), most=_SHOWN)
