"""Where a finding that the words may mean says less, or more, than it seems to."""

from probe.assessment import Assessment, Finding
from probe.judge.complaint.carry import endpoint_of
from probe.judge.complaint.kinds import Kind, kind_of
from probe.judge.complaint.understood import Understood
from probe.observation.model import Endpoint


def read_along(now: Assessment, finding: Finding) -> bool:
    """Whether a certificate that was seen may be that of whoever reads along on this machine's own
    way, and not the node's."""
    between = any(one.rule == "here-intercepted" for one in now.findings)
    return between and finding.endpoint is Endpoint.WEB and bool(finding.certificates)


def dates_alone(taken: Understood, rule: str) -> bool:
    """Whether the words are about a date and the rule about two certificates that both hold: one
    that does not is a finding of its own."""
    tails = {rule.partition("-")[2] for rule in taken.rules}
    return rule.endswith("-half-renewed") and "expired" in tails and not taken.anything


def led_away(taken: Understood, finding: Finding) -> bool:
    """Whether a name leads elsewhere, and the words are about a certificate: then it is whatever is
    shown there, which may be anything."""
    if finding.rule not in ("dns-wrong-address", "dns-partly-wrong") or taken.anything:
        return False
    meant = {rule for row in taken.rows for rule in row.words.rules}
    kinds = {kind_of(rule) for rule in meant}
    return not (kinds & {Kind.NAMES, Kind.REACH} or "web-name-mismatch" in meant)


def remembered(taken: Understood, finding: Finding) -> bool:
    """Whether this person may be asked because of nodes that are not met there: a client that was
    set up by hand remembers what it has accepted elsewhere."""
    prompt = any(row.prompt for row in taken.rows)
    compared = kind_of(finding.rule) is Kind.COMPARED
    return prompt and compared and endpoint_of(finding.rule) in taken.endpoints
