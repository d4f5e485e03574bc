"""Which rule says on another endpoint what a rule says on one."""

from collections.abc import Iterable, Mapping

from probe.observation.model import Endpoint
from probe.plan.rule_ids import RULE_IDS

_KNOWN = frozenset(RULE_IDS)

_TO_EAP: Mapping[str, str] = {
    "web-name-mismatch": "eap-name-unexpected",
    "web-common-name-only": "eap-no-alternative-names",
    "web-private-root": "eap-unknown-root",
    "web-not-tls": "eap-refused",
    "cluster-half-renewed": "eap-half-renewed",
}
"""Rules that go by another name where networks are joined."""

_TO_WEB: Mapping[str, str] = {
    "eap-name-unexpected": "web-name-mismatch",
    "eap-no-alternative-names": "web-common-name-only",
    "eap-half-renewed": "cluster-half-renewed",
}

_TO_RADSEC: Mapping[str, str] = {
    "name-unexpected": "radsec-name-mismatch",
    "name-mismatch": "radsec-name-mismatch",
    "self-signed": "radsec-unknown-root",
    "private-root": "radsec-unknown-root",
    "not-yet-valid": "radsec-expired",
    "path-invalid": "radsec-unknown-root",
    "malformed": "radsec-refused",
    "weak-signature": "radsec-weak-key",
    "key-unproven": "radsec-refused",
    "not-tls": "radsec-refused",
}
"""RadSec has fewer rules than faults (DEVELOPERS.md, "RadSec")."""

_CLUSTER_OF_EAP = frozenset({"cluster-methods-differ"})


def endpoint_of(rule: str) -> Endpoint:
    """Return where what a rule speaks of is met: on pages, while joining, or over RadSec."""
    room = rule.partition("-")[0]
    if room in ("eap", "profile") or rule in _CLUSTER_OF_EAP:
        return Endpoint.EAP
    return Endpoint.RADSEC if room == "radsec" else Endpoint.WEB


def carried(rule: str, to: Endpoint) -> str | None:
    """Return the rule that says the same on that endpoint; None: there is none."""
    room, _, tail = rule.partition("-")
    if endpoint_of(rule) is to:
        return rule
    if to is Endpoint.EAP:
        other = _TO_EAP.get(rule, f"eap-{tail}" if room == "web" else "")
    elif to is Endpoint.WEB:
        other = _TO_WEB.get(rule, f"web-{tail}" if room == "eap" else "")
    else:
        other = _TO_RADSEC.get(tail, f"radsec-{tail}") if room in ("web", "eap") else ""
    return other if other in _KNOWN else None


def everywhere(rules: Iterable[str], endpoints: Iterable[Endpoint]) -> tuple[str, ...]:
    """Return the rules as they are called on these endpoints, each once, best guesses first."""
    at = tuple(endpoints)
    found = (carried(rule, endpoint) for rule in rules for endpoint in at)
    return tuple(dict.fromkeys(rule for rule in found if rule is not None))
