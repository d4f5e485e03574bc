"""What the server's own certificates name."""

from collections.abc import Iterable, Iterator

from probe.certificate.facts import CertFacts, facts_of
from probe.drafting.model import Shown
from probe.plan.names import host_name


def dns_names(facts: CertFacts) -> Iterator[str]:
    """Yield the names of a certificate that are host names, without those that have a star."""
    for name in facts.names:
        if name.type == "dns" and "*" not in name.value:
            try:
                yield host_name(name.value)
            except ValueError:
                continue


def stars(facts: CertFacts) -> Iterator[str]:
    """Yield the names of a certificate that have a star."""
    for name in facts.names:
        if name.type == "dns" and "*" in name.value:
            yield name.value


def leaves(seen: Iterable[Shown]) -> Iterator[tuple[Shown, CertFacts]]:
    """Yield each visit that showed a certificate, with the server's own."""
    for shown in seen:
        if shown.chain:
            yield shown, facts_of(shown.chain[0])
