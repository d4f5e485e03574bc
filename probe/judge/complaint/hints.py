"""Hints that do not go together with what was seen, beside those that contradict each other."""

from collections.abc import Iterator

from probe.assessment import Assessment
from probe.complaint import Recognised
from probe.judge.complaint.recognised import Ours, contradicted
from probe.judge.complaint.understood import Understood
from probe.judge.names import dns_name_matches
from probe.judge.words import minute

_ENDED = frozenset({"expired"})
_NAMED = frozenset({"name-mismatch"})


def hints(taken: Understood, now: Assessment, found: Recognised, known: Ours) -> Iterator[str]:
    """Yield what was told and does not go together, one sentence part each."""
    shown, page = taken.complaint.shown, taken.reach.page
    yield from contradicted(shown, found, known)
    tails = {r.partition("-")[2] for r in taken.rules if not r.startswith("dns-")}
    at = taken.complaint.when or now.judged_at
    if shown.expiry is not None and tails:
        over = shown.expiry < at.date()
        if tails & _ENDED and not over and tails <= _ENDED | {"not-yet-valid", "half-renewed"}:
            yield (
                f"the words say that a certificate has ended, and the one on the screen ends on"
                f" {shown.expiry.isoformat()}: the clock of the device may be wrong, or it is the"
                " certificate of a CA"
            )
        if over and not tails & _ENDED and not taken.anything:
            yield (
                f"the certificate on the screen ended on {shown.expiry.isoformat()}, and the words"
                " do not speak of that"
            )
    if shown.name is not None and page is not None and tails & _NAMED:
        name = shown.name.strip().casefold()
        if name == page or ("*" in name and dns_name_matches(name, page)):
            yield (
                f"the words say that the certificate is not for {page}, and that is the name on"
                " the screen"
            )
    if taken.complaint.when is not None and taken.complaint.when > now.judged_at:
        yield (
            f"the complaint is of {minute(taken.complaint.when)}, and what was seen was judged as"
            f" of {minute(now.judged_at)}, before it"
        )
    if now.headline.before:
        says = {finding.id: finding.says for finding in now.findings}
        for which in now.headline.before:
            if which in says:
                yield f"what is found may be owed to this machine: {says[which].rstrip('.')}"
