"""A large cluster in which every node has certificates of its own: the longest page there is."""

import hashlib
from datetime import UTC, datetime, timedelta

from probe.assessment import Assessment, NodeVerdict, ServedChain, Verdict
from probe.certificate.facts import Name
from probe.observation.model import Endpoint
from probe.records import replace
from tests.report import build

OCTETS = 1_500
"""Of one certificate: an RSA one with a dozen names and timestamps has about as many."""


def many(count: int) -> Assessment:
    """`troubled` with so many nodes, each with a web and an EAP certificate of its own."""
    small, sound = build.troubled(), build.healthy(count)
    names = tuple(node.name for node in sound.nodes)
    facts, pool, rows = dict(small.facts), dict(small.survey.certificates), list(small.served)
    for number, node in enumerate(names):
        for kind, authority in ((Endpoint.WEB, build.WEB_CA), (Endpoint.EAP, build.EAP_CA)):
            host = f"{node}.{kind.value}.northpier.example"
            more = tuple(Name("dns", f"{word}.{host}") for word in ("guest", "onboard", "admin"))
            der = b"".join(
                hashlib.sha256(f"{host} {part}".encode()).digest() for part in range(OCTETS // 32)
            )
            leaf = build.facts(
                host,
                str(authority.common_name),
                sha256=hashlib.sha256(der).hexdigest(),
                names=(Name("dns", host), *more),
                not_after=datetime(2027, 3, 1, tzinfo=UTC) + timedelta(days=3 * number),
            )
            facts[leaf.sha256] = leaf
            pool[leaf.sha256] = der
            row = sound.served[kind is Endpoint.EAP]
            rows.append(
                replace(
                    row,
                    chain=(leaf.sha256, authority.sha256),
                    nodes=(node,),
                    names=(host,) if kind is Endpoint.WEB else (),
                )
            )
    verdicts = {node.name: node.verdict for node in small.nodes}
    return replace(
        small,
        survey=replace(sound.survey, certificates=pool),
        facts=facts,
        nodes=tuple(NodeVerdict(name, verdicts.get(name, Verdict.SOUND)) for name in names),
        served=tuple(rows),
    )


def incomplete(address: str | None = None) -> Assessment:
    """quay3 sends its web certificate alone; the other nodes do not, or `address` has the rest."""
    sound = build.healthy()
    web, eap = sound.served
    alone = ServedChain(
        Endpoint.WEB,
        web.chain[:1],
        ("quay3",) if address is None else web.nodes,
        web.names,
        (),
        Verdict.WARNED,
        (),
        web.ends_in,
        address is None,
        (build.WEB_CA.subject,),
        (build.WEB_CA.sha256,),
    )
    if address is not None:
        return replace(sound, served=(alone, eap), fetched_from={build.WEB_CA.sha256: address})
    rest = replace(web, nodes=("quay1", "quay2", "quay4"))
    return replace(sound, served=(rest, alone, eap))
