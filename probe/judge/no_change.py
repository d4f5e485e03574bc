"""For whom nothing changes: the other side of who is blocked or warned.

It is claimed of nobody who met no server, of nobody whose questions were left open, and of nobody
whose warning the plan takes as known.
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
    "eap": frozenset({Endpoint.EAP, Endpoint.RADSEC}),
    "node": frozenset({Endpoint.DNS, Endpoint.CLUSTER, Endpoint.WEB}),
}
"""Where the clients of a world come, so that a finding which names no client may mean them. An
access point may bring a login by RadSec."""


def no_change(case: Case, findings: Sequence[Finding]) -> tuple[str, ...]:
    """Return the client families on site that no finding speaks of, in catalogue order."""
    unasked = {case.questions[one].endpoint for one in case.survey.unobserved()}
    served = {"web": any(v.chain for v in case.web), "eap": any(v.chain for v in case.eap)}
    served["node"] = served["web"] and len(case.whole.nodes) > 1
    families = []
    for world in ("web", "eap", "node"):
        known = served[world] and not unasked & _COMES_TO[world]
        for client in on_site(case.plan.clients, world) if known else ():
            if not any(_means(finding, client.family, world) for finding in findings):
                families.append(client.family)
    return tuple(dict.fromkeys(families))


def _means(finding: Finding, family: str, world: str) -> bool:
    if of_import(finding):
        return False
    there = finding.endpoint in _COMES_TO[world]
    if finding.verdict is Verdict.UNSEEN:
        return there
    if finding.verdict not in _HELD_UP:
        return False
    # Findings on names say who opens pages by them; other nodes come by the same names.
    anybody = not finding.clients or (world == "node" and finding.endpoint is Endpoint.DNS)
    return family in finding.clients or (anybody and there)
