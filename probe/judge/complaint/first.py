"""The first line of an answer: one sentence that says how it stands."""

from collections.abc import Sequence

from probe.complaint import Cause, Recognised, Standing, Whose
from probe.judge.complaint.understood import Understood
from probe.judge.words import listing, minute, verb
from probe.observation.model import Endpoint

_FOREIGN = (
    "The certificate on that screen is none that is known to be ours: take it for somebody else's"
    " server, until the opposite is shown."
)


def first_line(taken: Understood, causes: Sequence[Cause], found: Recognised, *, seen: bool) -> str:
    """Return the first line. What may do harm goes before everything else."""
    if found.whose is Whose.UNKNOWN:
        return _FOREIGN
    confirmed = [c for c in causes if c.standing is Standing.CONFIRMED]
    for cause in confirmed:
        if not cause.then:
            return f"Confirmed: {cause.says}"
    for cause in confirmed:
        return f"Fixed since {minute(cause.fixed_since)}: {cause.says}"
    if taken.client_side:
        return (
            "These words speak of the client's own certificate, account or policy, and not of the"
            " certificate that a server shows."
        )
    reach = taken.reach
    if reach.page is not None and not reach.page_known and taken.endpoints == (Endpoint.WEB,):
        return _elsewhere(reach.page, found)
    for cause in causes:
        if cause.standing is Standing.POSSIBLE and cause.finding is not None:
            return f"Possible, not confirmed: {cause.says}"
    if not seen:
        return "Nothing was seen where this can have happened, so nothing is known."
    for cause in causes:
        if cause.standing is Standing.POSSIBLE:
            return f"Possible, not confirmed: {cause.says}"
    if taken.guessing:
        return _unknown(taken)
    return f"Nothing on the wire explains this{_where(taken)}."


def _elsewhere(page: str, found: Recognised) -> str:
    if found.whose is Whose.OURS:
        known = f"{found.says[:1].lower()}{found.says[1:].rstrip('.')}"
        return (
            f"{page} is no name of the plan, and the certificate on the screen is known: {known}."
        )
    return f"{page} is no name of the plan: nobody was looked at, and nothing is known."


def _unknown(taken: Understood) -> str:
    if all(heard.unspecific for heard in taken.heard):
        return (
            "Those words are too general to tell a cause, and nothing is found that is felt there."
        )
    return "Those words are not known, and nothing is found that is felt there."


def _where(taken: Understood) -> str:
    met = dict.fromkeys(node for place in taken.endpoints for node in taken.reach.of(place))
    nodes = list(met)
    return f", as far as {listing(nodes)} {verb(nodes, 'shows', 'show')} it" if nodes else ""
