"""For whom nothing changes: the other side of who is blocked or warned.

It is claimed of nobody who met no server, of nobody whose questions were left open, of nobody whose
warning the plan takes as known, and of nobody of whom a finding says that some of them do not get
on, or that what was seen may not be what they meet.
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

_SOME_OF = {
    "here-clock-off": frozenset({"web", "eap", "node"}),
    "here-intercepted": frozenset({"web", "node"}),
    "dns-unserved-family": frozenset({"web", "node"}),
    "eap-long-chain": frozenset({"eap"}),
    "eap-192-bit": frozenset({"eap"}),
    "cluster-methods-differ": frozenset({"eap"}),
}
"""Rules that speak of a part of a world's clients whatever their verdict: those behind one access
point, with addresses of one kind or in need of one method; or that put in doubt what all of
them meet."""


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
    some = world in _SOME_OF.get(finding.rule, ())
    there = some or finding.endpoint in _COMES_TO[world]
    if finding.verdict is Verdict.UNSEEN:
        return there
    if finding.verdict not in _HELD_UP:
        return some and (not finding.clients or family in finding.clients)
    # Findings on names say who opens pages by them; other nodes come by the same names.
    anybody = not finding.clients or (world == "node" and finding.endpoint is Endpoint.DNS)
    return family in finding.clients or (anybody and there)
