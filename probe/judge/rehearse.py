"""Rehearsal: a survey as it would be if some nodes served other certificates. Pure.

`judge(plan, swap(seen, certificates, nodes), at=...)` is the whole of it: whatever would be said of
certificates that are not imported yet, the same rules say it.
"""

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence

from probe.certificate.facts import facts_of
from probe.observation.model import (
    Aspect,
    EapSeen,
    Endpoint,
    Handshake,
    KeyFamily,
    Outcome,
    Phase,
    Served,
    Survey,
    TlsVersion,
    fingerprint,
)
from probe.records import dataclass, replace

_STANDS_IN = "these certificates stand in for those that were served"

_ELSEWHERE = frozenset({Aspect.CANARY, Aspect.LED})
"""Visits that go where DNS leads, whatever a node serves."""

_NO_SUCH_KEY = "handshake_failure"
"""How a server refuses a hello for a kind of key that it has not (RFC 5246, 7.2.2)."""

_Place = tuple[Endpoint, tuple[str, ...]]


def swap(
    seen: Survey,
    certificates: Sequence[bytes],
    nodes: Collection[str],
    *,
    only: Collection[Endpoint] = (Endpoint.WEB, Endpoint.EAP),
    names: Collection[str] | None = None,
) -> Survey:
    """Return a survey as if those nodes served these certificates.

    `certificates` are DER, in the order served, the server's own first. `only` names the endpoints
    that get them: both worlds, unless one is chosen; `names` the names of the web that they are
    for: None, all. An import replaces the certificate of the same kind of key that is served for
    these names, for whatever else that is served too; where there is none of that kind, the one
    that there is: what asks for that kind of key is refused from then on.

    What an import does not change stays as it was seen: a port that is closed, a certificate of the
    other kind of key beside it, and a virtual address at which another node may have answered. Of
    the new chain nothing was observed but that it is there, so round trips are unknown; that its
    key is imported with it is supposed.

    Raises ValueError without a certificate, and for a node that the survey says nothing of.
    """
    if not certificates:
        raise ValueError("there is no certificate to serve")
    known = {node for question in seen.questions for node in question.nodes}
    strange = sorted(set(nodes) - known)
    if strange:
        raise ValueError(f"the survey says nothing of {', '.join(strange)}")
    chosen = frozenset(nodes)
    new = _New(tuple(fingerprint(der) for der in certificates), tuple(certificates), seen)
    slots = _slots(seen, new.family, chosen, only, names)
    return replace(
        seen,
        handshakes=tuple(
            _behind(_swapped(record, new, slots), new, slots) for record in seen.handshakes
        ),
        certificates=seen.certificates | dict(zip(new.chain, certificates, strict=True)),
    ).trimmed()


class _New:
    """The chain that is to be served."""

    def __init__(self, chain: tuple[str, ...], ders: tuple[bytes, ...], seen: Survey) -> None:
        self.chain, self._seen = chain, seen
        self.family = facts_of(ders[0]).key_family
        self._octets = sum(len(der) for der in ders)

    def fragments(self, seen: EapSeen, old: Served) -> tuple[int, ...]:
        """Return into what a server would cut it, which has shown how it cuts another one; nothing
        where one fragment held all, as the server's own size is not known then."""
        if len(seen.fragments) < 2:
            return ()
        full, sent = max(seen.fragments), sum(seen.fragments)
        before = sum(len(self._seen.certificates[sha256]) for sha256 in old.chain)
        whole = self._octets + max(sent - before, 0)
        return (full,) * (whole // full) + ((whole % full,) if whole % full else ())


@dataclass(frozen=True, slots=True)
class _Slot:
    """What an import replaces at one place."""

    leaves: frozenset[str]
    """Certificates that are served no longer."""
    alone: bool
    """Whether nothing of the new kind of key was there: then nothing of another kind is left."""
    kinds: frozenset[KeyFamily]
    """Kinds of key that were there."""
    tls: Mapping[tuple[str | None, int, str | None], TlsVersion | None]
    """What was agreed to, by address, port and server name, with a replaced certificate."""


def _slots(
    seen: Survey,
    family: KeyFamily,
    nodes: frozenset[str],
    only: Collection[Endpoint],
    names: Collection[str] | None,
) -> dict[_Place, _Slot]:
    records: dict[_Place, list[Handshake]] = defaultdict(list)
    for record in seen.handshakes:
        if record.endpoint in only and record.asked.aspect not in _ELSEWHERE:
            records[record.endpoint, record.nodes].append(record)
    answering = _answering(records)
    return {
        place: _slot(seen, of, family, names)
        for place, of in records.items()
        if answering[place] <= nodes
    }


def _answering(records: Mapping[_Place, Sequence[Handshake]]) -> dict[_Place, frozenset[str]]:
    """Return the nodes that may have answered at each place: behind a virtual address those that
    show by themselves what it shows, and all where none of them does."""
    own: dict[tuple[Endpoint, str | None, tuple[str, ...]], set[str]] = defaultdict(set)
    for (endpoint, nodes), of in records.items():
        for record in of:
            if len(nodes) == 1 and record.served is not None:
                own[endpoint, record.asked.name, record.served.chain].update(nodes)
    found = {}
    for (endpoint, nodes), of in records.items():
        alike: set[str] = set()
        for record in of if len(nodes) > 1 else ():
            if record.served is not None and record.served.chain:
                alike |= own[endpoint, record.asked.name, record.served.chain] & set(nodes)
        found[endpoint, nodes] = frozenset(alike or nodes)
    return found


def _slot(
    seen: Survey, records: Sequence[Handshake], family: KeyFamily, names: Collection[str] | None
) -> _Slot:
    shown: dict[str, KeyFamily] = {}
    for record in records:
        if record.served is not None and record.served.chain:
            of_web = record.endpoint is Endpoint.WEB
            if not of_web or names is None or record.asked.name in names:
                leaf = record.served.chain[0]
                shown[leaf] = facts_of(seen.certificates[leaf]).key_family
    alone = family not in shown.values()
    leaves = frozenset(leaf for leaf, of in shown.items() if alone or of is family)
    tls = {
        (r.asked.address, r.asked.port, r.asked.server_name): r.served.tls
        for r in records
        if r.served is not None and r.served.chain and r.served.chain[0] in leaves
    }
    return _Slot(leaves, alone, frozenset(shown.values()), tls)


def _swapped(record: Handshake, new: _New, slots: Mapping[_Place, _Slot]) -> Handshake:
    slot = slots.get((record.endpoint, record.nodes))
    if slot is None or record.asked.aspect in _ELSEWHERE:
        return record
    wants = record.asked.key_family
    if record.served is None or not record.served.chain:
        place = record.asked.address, record.asked.port, record.asked.server_name
        if wants is None or place not in slot.tls:
            return record
        # It ended for want of such a key, beside others that were served: now there is one, or
        # still none, and no other certificate that would break it in another way.
        if slot.alone and wants is new.family:
            return _serving(record, new, Served((), tls=slot.tls[place]))
        stays = wants is new.family or (wants in slot.kinds and not slot.alone)
        return record if stays or record.outcome is Outcome.REFUSED else _refusing(record)
    if record.served.chain[0] not in slot.leaves:
        return record
    if wants in (None, new.family):
        return _serving(record, new, record.served)
    return _refusing(record) if slot.alone else record


def _serving(record: Handshake, new: _New, old: Served) -> Handshake:
    # Under TLS 1.3 no cipher suite depends on the kind of key (RFC 9846, 4.1.2).
    alike = old.key_family is new.family or old.tls is TlsVersion.TLS1_3
    return replace(
        record,
        outcome=Outcome.SERVED,
        phase=Phase.CERTIFICATE,
        detail=None,
        alert=None,
        round_trips=None,
        served=Served(
            new.chain,
            tls=old.tls,
            cipher=old.cipher if alike else None,
            key_family=new.family,
            key_proven=True,
            key_detail=_STANDS_IN,
            timestamps=old.timestamps,
        ),
        eap=None
        if record.eap is None
        else replace(record.eap, fragments=new.fragments(record.eap, old)),
    )


def _refusing(record: Handshake) -> Handshake:
    return replace(
        record,
        outcome=Outcome.REFUSED,
        phase=Phase.HELLO,
        detail=None,
        alert=_NO_SUCH_KEY,
        round_trips=None,
        served=None,
        http=None,
        eap=None if record.eap is None else replace(record.eap, fragments=()),
    )


def _behind(record: Handshake, new: _New, slots: Mapping[_Place, _Slot]) -> Handshake:
    """Return a RadSec visit with what the EAP server behind it would show."""
    inside = record.radsec
    slot = slots.get((Endpoint.EAP, record.nodes))
    if inside is None or inside.eap_served is None or slot is None or not inside.eap_served.chain:
        return record
    old = inside.eap_served
    if old.chain[0] not in slot.leaves:
        return record
    served = replace(old, chain=new.chain, key_family=new.family, key_detail=_STANDS_IN)
    return replace(record, radsec=replace(inside, eap_served=served))
