"""For whom nothing changes: the other side of who is blocked or warned.

It is claimed of nobody who met no server, and of nobody whose questions were left open.
"""

from collections.abc import Sequence

from probe.assessment import Finding, Verdict
from probe.judge.case import Case
from probe.judge.clients.reactions import on_site
from probe.judge.headline import of_import
from probe.observation.model import Endpoint

_HELD_UP = frozenset({Verdict.BLOCKED, Verdict.WARNED, Verdict.DUE})
"""Now, or on a day that is known."""

_COMES_TO = {
    "web": frozenset({Endpoint.DNS, Endpoint.WEB, Endpoint.CLUSTER}),
    "eap": frozenset({Endpoint.EAP}),
    "node": frozenset({Endpoint.CLUSTER, Endpoint.WEB}),
}
"""Where the clients of a world come, so that a finding which names no client may mean them."""


def no_change(case: Case, findings: Sequence[Finding]) -> tuple[str, ...]:
    """Return the client families on site that no finding which counts speaks of, in catalogue
    order."""
    served = {"web": any(v.chain for v in case.web), "eap": any(v.chain for v in case.eap)}
    served["node"] = served["web"] and len(case.whole.nodes) > 1
    families = []
    for world in ("web", "eap", "node"):
        for client in on_site(case.plan.clients, world) if served[world] else ():
            if not any(_means(finding, client.family, world) for finding in findings):
                families.append(client.family)
    return tuple(dict.fromkeys(families))


def _means(finding: Finding, family: str, world: str) -> bool:
    if not finding.counts or of_import(finding):
        return False
    if finding.verdict is Verdict.UNSEEN or (finding.verdict in _HELD_UP and not finding.clients):
        return finding.endpoint in _COMES_TO[world]
    return finding.verdict in _HELD_UP and family in finding.clients
