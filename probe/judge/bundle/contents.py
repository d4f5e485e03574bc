"""The rules on what the files hold, were it installed: chain, trust and names. They explain what
the rules on served certificates say."""

from collections.abc import Iterable, Iterator, Sequence

from probe.assessment import Evidence, Note
from probe.bundle import Coverage, Origin
from probe.judge.bundle.drafts import Looked, of_leaf, served
from probe.judge.case import Case
from probe.judge.catalogue import BY_ID
from probe.judge.clients.reactions import Reacted, react
from probe.judge.draft import Draft, limited
from probe.judge.words import called, listing, quoted_name, verb
from probe.observation.model import Endpoint
from probe.plan.model import Audience
from probe.records import replace

INCOMPLETE = "bundle-chain-incomplete"
TRUST = "bundle-trust-needed"
UNCOVERED = "bundle-name-uncovered"


# ---------------------------------------------------------------- chain and trust


def chain(case: Case, looked: Looked) -> Iterator[Draft]:
    """Yield a draft where a CA certificate below the root is not in the files."""
    visits = [
        visit
        for visit in (*case.web, *case.eap)
        if case.reference(visit).of_kind("chain-incomplete")
    ]
    nowhere = [one for one in looked.authorities if one.origin is Origin.NOWHERE]
    if looked.leaf is None or not visits:
        return
    lacking = [name for visit in visits for name in case.missing(visit, case.reference(visit))]
    names = list(dict.fromkeys(quoted_name(name) for name in lacking))
    at_hand = "" if nowhere else " (--write-chain writes it from what is at hand)"
    yield served(
        case,
        of_leaf(
            looked,
            INCOMPLETE,
            says=f"The bundle holds {called(looked.leaf)} without the CA"
            f" {verb(names, 'certificate', 'certificates')} {listing(names)}, which"
            f" {verb(names, 'belongs', 'belong')} between it and its root.",
            fault=tuple(sorted(set(lacking))),
            remedy=f"Add {listing(names)} to the bundle before the import{at_hand}.",
        ),
        visits,
    )


def trust(case: Case, looked: Looked) -> Iterator[Draft]:
    """Yield a draft where nodes have none of the CA certificates up to the root, by the plan."""
    path = looked.authorities
    if looked.leaf is None or not path or any(one.trusted for one in path):
        return
    rows = tuple(
        Evidence(
            quoted_name(one.subject),
            f"SHA-256 {one.certificate}, SHA-1 {one.sha1}"
            if one.certificate
            else "not at hand: to be had from the CA",
            None,
        )
        for one in path
    )
    root = quoted_name(path[-1].subject)
    nodes = case.sort_nodes(looked.of.nodes)
    yield served(
        case,
        replace(
            of_leaf(
                looked,
                TRUST,
                says=f"{called(looked.leaf)} leads to {root}, which nodes do not have by the plan"
                " (trust.node).",
                fault=(path[-1].subject,),
                remedy=f"Import {listing([quoted_name(one.subject) for one in path])} into the"
                f" trusted certificates of {listing(nodes) or 'every node'} before the bundle, and"
                " add the root to trust.node in the plan.",
            ),
            evidence=rows,
        ),
        [*case.web, *case.eap],
    )


# ---------------------------------------------------------------- names


def names(case: Case, looked: Looked) -> Iterator[Draft]:
    """Yield one draft for all names of the plan that are to be covered and are not."""
    missing = [
        row
        for row in looked.coverage
        # What is there by a wildcard that a supplicant takes none of has a rule of its own.
        if row.wanted and not row.covered and not (row.starred and looked.has_certificate)
    ]
    if looked.leaf is None or not missing:
        return
    lacking = list(dict.fromkeys(row.name for row in missing))
    what = "certificate" if looked.has_certificate else "certificate request"
    draft = of_leaf(
        looked,
        UNCOVERED,
        says=f"The {what} {called(looked.leaf)} does not cover {listing(lacking)}.",
        name=lacking[0] if len(lacking) == 1 and missing[0].endpoint is Endpoint.WEB else None,
        fault=tuple(sorted(lacking)),
        remedy=_issue_with(looked, missing),
    )
    draft = replace(
        draft,
        reacted=() if looked.has_certificate else _who_minds(case, missing),
        evidence=limited(tuple(Evidence(row.name, row.why, None) for row in missing)),
    )
    # A conversation has no name: whatever is expected there is one row of a node.
    opened = {row.name for row in missing if row.endpoint is Endpoint.WEB}
    logged_in = {node for row in missing if row.endpoint is Endpoint.EAP for node in row.nodes}
    visits = [
        *(visit for visit in case.web if visit.name in opened),
        *(visit for visit in case.eap if logged_in & set(visit.nodes)),
    ]
    yield served(case, draft, visits)


def names_of_others(_case: Case, looked: Looked) -> Iterator[Note]:
    """Yield a note on names that the certificate lacks and may not be meant for."""
    lacking = [
        row.name
        for row in looked.coverage
        if row.endpoint in looked.of.endpoints
        and set(row.nodes) & set(looked.of.nodes)
        and not (row.wanted or row.covered)
    ]
    if looked.leaf is not None and lacking:
        yield Note(
            UNCOVERED,
            Endpoint.BUNDLE,
            (),
            None,
            f"{called(looked.leaf)} does not cover {listing(lacking)}, for which nodes then need"
            " another certificate.",
            BY_ID[UNCOVERED].source,
        )


def _issue_with(looked: Looked, missing: Sequence[Coverage]) -> str:
    doing = "Write the request again"
    if looked.has_certificate and looked.leaf is not None:
        doing = f"Have {called(looked.leaf)} issued again"
    names, fewest = looked.entries.names, looked.entries.fewest
    wanted = {row.name for row in looked.coverage if row.endpoint is Endpoint.WEB}
    lacking = {row.name for row in missing if row.endpoint is Endpoint.WEB}
    # What supplicants expect stands in the entries by the first of its names.
    expected = any(row.endpoint is Endpoint.EAP for row in missing)
    added = [name for name in names if name in lacking or (expected and name not in wanted)]
    said = f"{doing} with {listing(added)} among its names besides"
    if fewest != names:
        said += f"; the fewest names for all would be {listing(fewest)}"
    return f"{said}."


def _who_minds(case: Case, missing: Iterable[Coverage]) -> tuple[Reacted, ...]:
    """Return who would mind: for a request there is no certificate that the other rules judge."""
    found: list[Reacted] = []
    for row in missing:
        if row.endpoint is Endpoint.EAP:
            found += react(case.supplicants, "name-unexpected")
            continue
        for audience in _audiences(case, row.name):
            found += react(case.browsers(audience), "name-mismatch")
    return tuple(dict.fromkeys(found))


def _audiences(case: Case, name: str) -> Iterator[Audience]:
    yield from (node.host_audience for node in case.whole.nodes if node.host == name)
    yield from (service.audience for service in case.whole.services if service.name == name)
