"""What became of each cause that the words may have: confirmed, possible or ruled out.

Confirmed is only what the judge found where this person can have met it: at that endpoint, at one
of these nodes, by that name, and by a client that minds. Nothing is concluded from the words alone.
"""

from collections import Counter
from collections.abc import Iterable, Iterator
from datetime import datetime

from probe.assessment import Assessment, Finding, Verdict
from probe.complaint import AlsoFound, Cause, Recognised, Standing, Whose
from probe.judge.catalogue import BY_ID
from probe.judge.complaint.carry import endpoint_of, everywhere
from probe.judge.complaint.doubts import dates_alone, led_away, read_along, remembered
from probe.judge.complaint.kinds import Kind, kind_of
from probe.judge.complaint.meets import came_and_went
from probe.judge.complaint.observed import Seen
from probe.judge.complaint.understood import Understood
from probe.judge.words import day, listing, verb
from probe.observation.model import Endpoint
from probe.plan.addresses import is_address
from probe.plan.model import Plan
from probe.records import replace

_NEEDS_NO_CLIENT = frozenset({"web-revocation-unknown", "eap-revocation-unknown"})
"""Rules that are met as such, though no client's reaction is known: the words say it themselves."""

_NOT_FELT = frozenset({"web-old-tls", "eap-old-tls"})
"""Where these are merely advised, newer versions are spoken beside the old ones."""

_WHERE = {
    Endpoint.WEB: ", on pages (HTTPS)",
    Endpoint.EAP: ", while joining (EAP)",
    Endpoint.RADSEC: ", between servers (RadSec)",
}
"""Where a rule is met that exists in several rooms under one title."""

_OF_NAMES = frozenset({"web-name-mismatch", "web-common-name-only", "cluster-name-uncovered"})

_HARD = frozenset({Verdict.BLOCKED, Verdict.WARNED})


def causes(plan: Plan, taken: Understood, now: Assessment, found: Recognised) -> tuple[Cause, ...]:
    """Return what became of each cause, confirmed ones first, the best guesses first."""
    seen = Seen(plan, taken, now)
    told: list[tuple[tuple[object, ...], Cause]] = []
    spoken: set[str] = set()
    for place, finding in enumerate(now.findings):
        guess = _guess(taken, finding)
        if guess is None or not (_where(taken, finding) or remembered(taken, finding)):
            continue
        cause = _of_finding(plan, taken, now, seen, finding)
        if not _where(taken, finding):
            cause = _before(cause, finding)
        spoken |= {finding.rule, *(one.rule for one in finding.folded)}
        shown = found.whose is Whose.OURS and set(found.certificates) & set(finding.certificates)
        told.append(((not shown, *guess, finding.verdict, place), cause))
    for candidate in taken.candidates:
        if candidate.rule not in spoken and candidate.rule in BY_ID:
            other = _not_found(plan, taken, now, seen, candidate.rule)
            if other is not None:
                told.append(((True, *candidate.order, Verdict.SOUND, 0), other))
    if taken.anything:
        # No rule is named, so that every place has to have shown what it serves.
        for endpoint in taken.endpoints:
            silence = f"{endpoint.value}-silent"
            if silence not in spoken and silence not in taken.rules:
                other = _not_found(plan, taken, now, seen, silence)
                if other is not None and other.standing is Standing.POSSIBLE:
                    told.append(((True, 0, 30, Verdict.SOUND, 0), other))
    order = list(Standing)
    ranked = sorted(told, key=lambda pair: (order.index(pair[1].standing), pair[0]))
    return tuple(_together([cause for _, cause in ranked]))


def _together(ranked: list[Cause]) -> Iterator[Cause]:
    """Yield the causes, of those that are open for one and the same reason the best guess alone."""
    open_at = {
        (cause.endpoint, node)
        for cause in ranked
        if cause.finding is not None and cause.verdict is Verdict.UNSEEN
        for node in cause.nodes
    }
    alike = Counter(_reason(cause) for cause in ranked if _is_open(cause))
    told: set[object] = set()
    for cause in ranked:
        if not _is_open(cause):
            yield cause
            continue
        reason = _reason(cause)
        known = bool(cause.nodes) and all((cause.endpoint, n) in open_at for n in cause.nodes)
        if known or reason in told:
            continue
        told.add(reason)
        more = alike[reason] - 1
        also = f" So {'is' if more == 1 else 'are'} {more} other" if more else ""
        tail = f"{also} cause{'s' if more > 1 else ''} of those words." if more else ""
        yield replace(cause, says=cause.says + tail)


def _is_open(cause: Cause) -> bool:
    return cause.standing is Standing.POSSIBLE and cause.finding is None


def _reason(cause: Cause) -> tuple[object, ...]:
    return cause.endpoint, cause.nodes, cause.decides


def gone(
    plan: Plan,
    taken: Understood,
    then: Assessment,
    later: Iterable[Assessment],
    now: Assessment,
    known: Iterable[Cause],
) -> Iterator[Cause]:
    """Yield what was a confirmed cause then and is none now, with when it was seen to be gone.

    Where nobody looked since, nothing is known to be gone: it is possible.
    """
    kept = {(cause.rule, cause.endpoint) for cause in known if cause.standing is Standing.CONFIRMED}
    nothing = Recognised(Whose.NOT_TOLD, "")
    for cause in causes(plan, taken, then, nothing):
        if cause.standing is not Standing.CONFIRMED or (cause.rule, cause.endpoint) in kept:
            continue
        fixed = _gone_since(plan, taken, cause, (*later, now))
        if fixed is not None:
            yield replace(cause, then=True, fixed_since=fixed)
        else:
            yield replace(
                cause,
                standing=Standing.POSSIBLE,
                then=True,
                decides="a look at the same nodes now, which showed nothing this time",
            )


def also_found(taken: Understood, now: Assessment, told: Iterable[Cause]) -> tuple[AlsoFound, ...]:
    """Return the findings that are no cause of this complaint, as far as anybody feels them."""
    meant = {cause.finding for cause in told}
    return tuple(
        AlsoFound(f.id, f.rule, f.verdict, f.nodes, f.says, elsewhere=_guess(taken, f) is not None)
        for f in now.findings
        if f.id not in meant and f.verdict in _HARD
    )


def _gone_since(
    plan: Plan, taken: Understood, cause: Cause, looks: Iterable[Assessment]
) -> datetime | None:
    """Return the first look from which on a cause was seen to be gone."""
    since: datetime | None = None
    for one in looks:
        standing = [
            other.standing
            for other in causes(plan, taken, one, Recognised(Whose.NOT_TOLD, ""))
            if other.rule == cause.rule and other.endpoint is cause.endpoint
        ]
        if Standing.CONFIRMED in standing or Standing.POSSIBLE in standing:
            since = None
        elif since is None and (
            Standing.RULED_OUT in standing or Seen(plan, taken, one).of(cause.rule).missing is None
        ):
            since = _end(one)
    return since


def _end(one: Assessment) -> datetime:
    return max(taken.ended for taken in one.survey.taken)


# ---------------------------------------------------------------- a finding


def _guess(taken: Understood, finding: Finding) -> tuple[int, int] | None:
    """Return how well a finding fits the words; None: they do not mean it."""
    rules = {finding.rule, *(one.rule for one in finding.folded)}
    orders = [one.order for one in taken.candidates if one.rule in rules]
    said = {row.words.words for row in taken.rows if row.words.rules}
    if any(reaction.words in said for reaction in finding.reactions):
        # The client data has these very words for it, whatever the table guesses.
        orders.append((-1, 5))
    if taken.anything and finding.verdict in _HARD | {Verdict.UNSEEN}:
        orders.append((0, 20))
    return min(orders, default=None)


def _where(taken: Understood, finding: Finding) -> bool:
    """Whether this person can have met it: the endpoint, a node, the name."""
    endpoint = _endpoint(finding)
    if endpoint not in taken.endpoints:
        return False
    met = set(taken.reach.of(endpoint))
    page = taken.reach.page
    if page is not None and endpoint is Endpoint.WEB:
        if finding.name not in (None, page) and not is_address(page):
            return False
        if not taken.reach.page_known:
            return False
    return not finding.nodes or bool(met & set(finding.nodes))


def _before(cause: Cause, finding: Finding) -> Cause:
    """Return what is found at other nodes than those that are met there."""
    where = listing(finding.nodes, last="or")
    return replace(
        cause,
        standing=Standing.POSSIBLE,
        nodes=finding.nodes,
        decides=f"whether the device has joined before where {where} answered",
        came_and_went=None,
    )


def _endpoint(finding: Finding) -> Endpoint:
    if finding.rule.startswith("import-"):
        return finding.endpoint
    return endpoint_of(finding.rule)


def _felt(taken: Understood, finding: Finding) -> bool | None:
    """Whether a client of this person's minds; None: nobody is known to."""
    families = taken.families_at(_endpoint(finding))
    if any(finding.rule in alone for alone in _unmistakable(taken)):
        return True
    if finding.clients:
        return not families or bool(families & set(finding.clients))
    if finding.verdict in _HARD or finding.rule in _NEEDS_NO_CLIENT:
        return True
    return None


def _says(taken: Understood, finding: Finding) -> str:
    """Return what is wrong, with what the words mean of it where another fault is behind that."""
    meant = set(taken.rules)
    if taken.anything or finding.rule in meant or finding.rule.endswith("-families-differ"):
        return finding.says
    folded = [one.says for one in finding.folded if one.rule in meant]
    return f"{finding.says.rstrip('.')}; {folded[0]}" if folded else finding.says


def _unmistakable(taken: Understood) -> Iterator[frozenset[str]]:
    """Yield the rules of words that mean one thing alone: they themselves show that the client
    minds, whatever is known of it."""
    for row in taken.rows:
        if len(row.words.rules) == 1:
            meant = frozenset(everywhere(row.words.rules, taken.endpoints))
            yield meant - _NOT_FELT


def _of_finding(
    plan: Plan, taken: Understood, now: Assessment, seen: Seen, finding: Finding
) -> Cause:
    endpoint = _endpoint(finding)
    met = taken.reach.of(endpoint)
    unknown = frozenset(node for node in met if not seen.served(node, endpoint))
    nodes = tuple(node for node in met if node in finding.nodes)
    felt = _felt(taken, finding)
    standing, decides = Standing.CONFIRMED, None
    says = _says(taken, finding)
    if taken.guessing:
        standing, decides = Standing.POSSIBLE, "the exact words or the code on the screen"
    elif finding.verdict is Verdict.UNSEEN:
        standing = Standing.POSSIBLE
        decides = "an answer to this machine; until then nothing else is known of it"
    elif read_along(now, finding):
        standing, decides = Standing.POSSIBLE, "a look from where nobody reads along"
    elif led_away(taken, finding):
        standing = Standing.POSSIBLE
        decides = "which address the browser opened, and whose certificate is shown there"
    elif dates_alone(taken, finding.rule):
        standing = Standing.RULED_OUT
        says = f"Nothing ended by it: {says}"
    elif finding.rule == "web-old-tls" and finding.verdict is Verdict.ADVISED:
        standing = Standing.RULED_OUT  # newer versions are spoken beside the old ones
    elif finding.verdict is Verdict.DUE:
        standing = Standing.RULED_OUT
        says = f"It is not felt before {day(finding.due)}: {says}"
    elif felt is None:
        standing = Standing.POSSIBLE
        decides = "whether the client on the screen minds: no family is known to"
    elif not felt:
        standing = Standing.POSSIBLE
        title = listing([now.client_titles.get(c, c) for c in finding.clients], last="or")
        decides = f"whether the client on the screen is {title}: only they are known to mind"
    part = standing is Standing.CONFIRMED
    return Cause(
        finding.rule,
        standing,
        says,
        verdict=finding.verdict,
        endpoint=endpoint,
        nodes=nodes,
        name=finding.name,
        clients=finding.clients,
        evidence=finding.evidence,
        decides=decides,
        remedy=finding.remedy,
        source=finding.source,
        finding=finding.id,
        came_and_went=came_and_went(plan, taken, now, finding, endpoint, unknown=unknown)
        if part
        else None,
    )


# ---------------------------------------------------------------- what was not found


def _not_found(
    plan: Plan, taken: Understood, now: Assessment, seen: Seen, rule: str
) -> Cause | None:
    """Return what is known of a rule without a finding; None: it cannot be meant here."""
    if not _applies(plan, taken, rule) or dates_alone(taken, rule):
        return None
    title = BY_ID[rule].title
    observed = seen.of(rule)
    endpoint = endpoint_of(rule)
    if len(taken.endpoints) > 1 and kind_of(rule) is not Kind.NAMES:
        title += _WHERE[endpoint]
    if observed.missing is not None:
        if rule.startswith("import-"):
            return None  # what else is wrong with such a chain is a cause of its own
        return Cause(
            rule,
            Standing.POSSIBLE,
            f"{title}: {observed.missing}.",
            endpoint=endpoint,
            nodes=observed.nodes,
            decides=observed.decides,
            source=BY_ID[rule].source,
        )
    page = taken.reach.page
    if rule in _OF_NAMES and page is not None and is_address(page):
        return Cause(
            rule,
            Standing.POSSIBLE,
            f"{title}: {page} was opened, and the plan opens names.",
            endpoint=endpoint,
            nodes=observed.nodes,
            decides=f"whether the same happens by name, and not at {page}",
            source=BY_ID[rule].source,
        )
    notes = [note for note in now.notes if note.rule == rule and _noted(taken, note.nodes)]
    by = observed.nodes
    why = f"not so, as {listing(by)} {verb(by, 'shows', 'show')}" if by else "not so"
    if kind_of(rule) is Kind.NAMES:
        why = "not so, as the resolvers say"
    if notes:
        why = f"it harms nobody of those on site: {notes[0].says}"
    elif rule == "eap-rejected-early":
        why = (
            f"{listing(observed.nodes)} went on to TLS with this machine's identity; whether the"
            " person's is let that far stands in the server's log"
        )
    return Cause(
        rule,
        Standing.RULED_OUT,
        f"{title}: {why.rstrip('.')}.",
        endpoint=endpoint,
        nodes=observed.nodes,
        source=BY_ID[rule].source,
    )


def _noted(taken: Understood, nodes: tuple[str, ...]) -> bool:
    met = {node for endpoint in taken.endpoints for node in taken.reach.of(endpoint)}
    return not nodes or bool(met & set(nodes))


def _applies(plan: Plan, taken: Understood, rule: str) -> bool:
    """Whether there is anything that could show a rule in this plan."""
    if rule == "eap-192-bit":
        return any(node.eap is not None and node.eap.suite_192 for node in plan.nodes)
    if rule.startswith("eap-client-"):
        return bool(plan.trust.client_issuers)
    if rule.startswith("profile-"):
        families = {profile.family for profile in plan.profiles}
        wanted = taken.families_at(Endpoint.EAP)
        return bool(families & wanted) if wanted else bool(families)
    if rule == "cluster-join-untrusted":
        return len(plan.nodes) > 1
    if rule == "web-intercepted":
        return plan.guest.canary is not None
    return True
