"""Whether a key is used again, and what that means to those who pin keys or certificates."""

from collections import defaultdict
from collections.abc import Iterable, Iterator

from probe.bundle import Key, SameKey, ServedNow
from probe.certificate.facts import CertFacts, facts_of
from probe.judge.bundle.meant import Meant
from probe.judge.clients.reactions import on_site, react
from probe.judge.words import listing
from probe.observation.model import Aspect, Endpoint, Survey
from probe.plan.model import Plan, Setup

_OTHERS = frozenset({Aspect.CANARY, Aspect.LED})
"""Visits that show somebody else's certificate."""


def key_of(plan: Plan, leaf: CertFacts, of: Meant, now: ServedNow | None) -> Key:
    """Return how the key of a new certificate stands to those that were seen at the nodes."""
    seen = now.survey if now is not None else None
    served = tuple(_same(leaf, seen)) if seen is not None else ()
    shows = seen is not None and any(record.served for record in seen.handshakes)
    reused = bool(served) if shows else None
    asked = () if seen is None else tuple(_asked_again(plan, leaf, of, seen))
    return Key(
        kind=leaf.key,
        reused=reused,
        known_from=now.known_from if now is not None and reused is not None else None,
        served=served,
        asked_again=asked,
        says=tuple(_says(leaf, reused, served)),
    )


def _same(leaf: CertFacts, seen: Survey) -> Iterator[SameKey]:
    at: dict[tuple[str, Endpoint], dict[str, None]] = defaultdict(dict)
    for record in seen.handshakes:
        if record.served is None or record.asked.aspect in _OTHERS or not record.served.chain:
            continue
        sha256 = record.served.chain[0]
        if leaf.spki and facts_of(seen.certificates[sha256]).spki == leaf.spki:
            at[sha256, record.endpoint].update(dict.fromkeys(record.nodes))
    for (sha256, endpoint), nodes in at.items():
        yield SameKey(sha256, endpoint, tuple(nodes))


def _asked_again(plan: Plan, leaf: CertFacts, of: Meant, seen: Survey) -> Iterator[str]:
    """Yield the supplicants, set up by hand, that know another certificate of these nodes."""
    if Endpoint.EAP not in of.endpoints:
        return
    now = {
        record.served.chain[0]
        for record in seen.handshakes
        if record.endpoint is Endpoint.EAP
        and record.served is not None
        and record.served.chain
        and set(record.nodes) & set(of.nodes)
    }
    if not now - {leaf.sha256}:
        return
    for client in on_site(plan.clients, "eap"):
        remembers = any(one.known.verdict is not None for one in react((client,), "leaf-differs"))
        if client.setup is Setup.BY_HAND and remembers:
            yield client.family


def _says(leaf: CertFacts, reused: bool | None, served: tuple[SameKey, ...]) -> Iterator[str]:
    if reused is None:
        yield "Nothing is known of what the nodes serve, so whether the key is used again is not."
        return
    if any(one.certificate == leaf.sha256 for one in served):
        where = _where(one for one in served if one.certificate == leaf.sha256)
        yield f"This very certificate is served already{where}."
    elif reused:
        yield (
            f"The key is used again: it is that of a certificate that is served{_where(served)}."
            " Whoever pins the key (TLSA with selector 1, a pinned public key) sees no change; a"
            " key that somebody else has got stays in use."
        )
    else:
        yield (
            "The key is new: pins of a key (TLSA with selector 1, a pinned public key) have to be"
            " changed before the import."
        )
    if not any(one.certificate == leaf.sha256 for one in served):
        yield (
            "Pins of the certificate itself (TLSA with selector 0 and usage 1 or 3, a thumbprint in"
            " a profile, a certificate accepted by hand) break with any new certificate, whatever"
            " its key."
        )


def _where(served: Iterable[SameKey]) -> str:
    places = [f"{listing(one.nodes)} ({one.endpoint.value})" for one in served]
    return f" at {listing(places)}" if places else ""
