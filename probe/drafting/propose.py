"""From what was named and seen to a draft."""

from probe.drafting.arrange import arrange
from probe.drafting.model import (
    Draft,
    Given,
    Network,
    NodeDraft,
    RootDraft,
    ServiceDraft,
)
from probe.drafting.roots import is_public, roots_of
from probe.drafting.text import Text
from probe.judge.trust import AnchorSet
from probe.observation.model import Outcome
from probe.plan.model import Audience


def propose(given: Given, network: Network, public: AnchorSet) -> Draft:
    """Return a plan that fits what was seen; `public` are the roots that guests' devices have."""
    nodes, services = arrange(given, network)
    roots = roots_of(given, network, public)
    for node in nodes:
        node.eap_addresses = _eap_addresses(node, network)
    for service in services:
        _look_at(service, network, roots, public)
    return Text(given, network, nodes, services, roots).draft()


def _eap_addresses(node: NodeDraft, network: Network) -> tuple[str, ...]:
    """Return where EAP is served, if that is not everywhere where a node is."""
    served = {shown.address for shown in network.eap if shown.outcome is Outcome.SERVED}
    here = tuple(address for address in node.addresses if address in served)
    return here if len(here) < len(node.addresses) else ()


def _look_at(
    service: ServiceDraft, network: Network, roots: tuple[RootDraft, ...], public: AnchorSet
) -> None:
    """Propose endpoint and audience of a service by what is served by its name."""
    web = [shown for shown in network.web if shown.name == service.name and shown.chain]
    eap = [s for s in network.eap if s.address in service.addresses and s.chain]
    if eap and not web:
        service.endpoint = "eap"
        return
    if service.addresses and not web:
        service.doubts.append("no certificate was shown there")
    own = {root.file for root in roots if root.eap or root.vouched_by}
    of_name = {root.file for root in roots if service.name in root.web}
    if of_name and of_name <= own and not any(is_public(shown.chain, public) for shown in web):
        service.audience = Audience.STAFF
