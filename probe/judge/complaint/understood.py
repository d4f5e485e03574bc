"""A complaint as it is understood: by whom, where, and which causes its words may have. Of the plan
and the table alone: nothing that was seen is known here."""

from collections.abc import Iterable, Iterator, Mapping
from itertools import combinations

from probe.complaint import Complaint, Heard, LogAlert
from probe.judge.clients.reactions import BY_NAME, TITLES
from probe.judge.complaint.carry import endpoint_of, everywhere
from probe.judge.complaint.clients import client_of
from probe.judge.complaint.kinds import Kind, kind_of
from probe.judge.complaint.match import Match, rows_of, understand
from probe.judge.complaint.reach import Reach, reach
from probe.judge.complaint.table import ALERTS, BESIDE, FAMILIES_OF, Row
from probe.judge.words import listing
from probe.observation.model import Endpoint
from probe.plan.model import FAMILIES, Client, Plan, Setup
from probe.plan.problems import shown
from probe.records import dataclass, replace

_PLACES = (Endpoint.WEB, Endpoint.EAP, Endpoint.RADSEC)

_TITLE = {
    Endpoint.WEB: "on pages",
    Endpoint.EAP: "while a network is joined",
    Endpoint.RADSEC: "between servers",
}

_AFTER = 10
"""A guess that stands for another one comes after those that the table names."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """A rule that the words may mean."""

    rule: str
    texts: int
    """How many of the texts may mean it."""
    guess: int
    """Its place among the guesses of the row that has it first: 0 is the best."""

    @property
    def order(self) -> tuple[int, int]:
        """The best guesses first."""
        return -self.texts, self.guess


@dataclass(frozen=True, slots=True)
class Understood:
    """What a complaint is taken for."""

    complaint: Complaint
    heard: tuple[Heard, ...]
    rows: tuple[Row, ...]
    """All that its texts and alerts speak of, but those that point to another one."""
    families: tuple[str, ...]
    """Client families; empty: any."""
    endpoints: tuple[Endpoint, ...]
    reach: Reach
    candidates: tuple[Candidate, ...]
    """The best guesses first."""
    anything: bool
    """Any fault that is felt there may be meant: no words were told, or such that say no more."""
    guessing: bool
    """Words were told, and nobody knows what they mean."""
    client_side: bool
    """All of its words are about the client's certificate, account or policy."""
    undirected: bool
    """An alert was told, and not who sent it."""
    contradictions: tuple[str, ...]

    @property
    def nothing_shown(self) -> bool:
        """Whether the words say that there was no answer: then no certificate was on a screen."""
        kinds = {kind_of(rule) for rule in self.rules}
        told = self.complaint.shown.told or self.anything or self.client_side
        return bool(kinds) and not told and kinds <= {Kind.REACH, Kind.NAMES}

    @property
    def rules(self) -> tuple[str, ...]:
        """The candidates' rules."""
        return tuple(one.rule for one in self.candidates)

    def families_at(self, endpoint: Endpoint) -> frozenset[str]:
        """Return the families that can have met that endpoint; none: any."""
        world = "eap" if endpoint is Endpoint.EAP else "web"
        if "node" in self.families and endpoint is not Endpoint.EAP:
            return frozenset()  # programs and servers may have any client's rules
        return frozenset(name for name in self.families if BY_NAME[name].world == world)


def understood(plan: Plan, complaint: Complaint) -> Understood:
    """Return what a complaint is taken for."""
    texts = [(said, understand(said)) for said in complaint.saw]
    matches = [match for _, match in texts] + [_logged(alert) for alert in complaint.log]
    where = reach(plan, complaint)
    against = list(where.contradictions)
    pointing = any(not row.pointer for match in matches for row in match.rows)
    kept = [
        replace(m, rows=tuple(row for row in m.rows if not (pointing and row.pointer)))
        for m in matches
    ]
    rows = tuple(dict.fromkeys(row for match in kept for row in match.rows))
    told = _told(complaint)
    families = _families(complaint, told, rows, against)
    hint = _hint(complaint)
    firm = complaint.page is not None or complaint.wifi is not None or bool(complaint.log)
    places = _places(plan, rows, hint, told, against, firm=firm)
    at = {row: places[row] for row in rows}
    endpoints = tuple(e for e in _PLACES if any(e in found for found in at.values()))
    endpoints = tuple(e for e in endpoints if where.of(e) or e is not Endpoint.RADSEC)
    if not endpoints:
        # No words, or such as are about no server: then it is where it was told to have been.
        usual = hint or _worlds(told) or _both(plan)
        endpoints = tuple(place for place in _PLACES if place in usual)
        if rows and Endpoint.EAP in endpoints and not hint:
            endpoints = (Endpoint.EAP,)  # a client's certificate and account are for joining
    candidates = _candidates(kept, at)
    if complaint.wifi and complaint.page is not None:
        against.append(
            "a page and the joining of a network were told, and a page opens once that is joined"
        )
    if len(kept) > 1:
        against += _apart(kept, at, told=len(texts))
    silent = not complaint.saw and not complaint.log
    guessing = bool(matches) and not rows
    return Understood(
        complaint,
        tuple(match.heard for match in matches),
        rows,
        _of_world(families, endpoints),
        endpoints,
        where,
        candidates,
        anything=silent or guessing or any(row.anything for row in rows),
        guessing=guessing,
        client_side=bool(rows) and all(_of_client(m, row) for m in kept for row in m.rows),
        undirected=any(row.family == ALERTS for _, m in texts for row in m.rows if not m.sent),
        contradictions=tuple(dict.fromkeys(against)),
    )


def plan_for(plan: Plan, complaint: Complaint) -> Plan:
    """Return the plan with the person's own client among those on site: judge by it, ask by the
    plan itself. Words of a prompt speak of a client that was set up by hand."""
    taken = understood(plan, complaint)
    by_hand = {
        family for row in taken.rows if row.prompt for family in FAMILIES_OF.get(row.family, ())
    }
    clients = list(plan.clients)
    known = {client.family for client in clients}
    for family in taken.families:
        eap = BY_NAME[family].world == "eap"
        if family not in known:
            clients.append(Client(family, Setup.PROFILE if eap else None))
        if family in by_hand and Client(family, Setup.BY_HAND) not in clients and eap:
            clients.append(Client(family, Setup.BY_HAND))
    return replace(plan, clients=tuple(clients))


# ---------------------------------------------------------------- by whom


def _told(complaint: Complaint) -> tuple[str, ...]:
    found = {family for word in complaint.clients for family in client_of(word)}
    return tuple(family for family in FAMILIES if family in found)


def _implied(row: Row) -> frozenset[str]:
    """Return the families whose words these are; none: anybody's."""
    web = row.web_only and row.family not in ("browser-chromium", "browser-mozilla")
    return frozenset() if web else frozenset(FAMILIES_OF.get(row.family, ()))


def _families(
    complaint: Complaint, told: tuple[str, ...], rows: Iterable[Row], against: list[str]
) -> tuple[str, ...]:
    implied: set[str] = set()
    free = True
    for row in rows:
        of = _implied(row)
        implied |= of
        free = False
        if not of:
            return told
        if told and not of & set(told):
            client = listing([f'"{shown(word)}"' for word in complaint.clients])
            against.append(
                f'"{row.words.words}" is shown by'
                f" {listing([TITLES[family] for family in sorted(of)], last='or')}, and {client}"
                " was told"
            )
    if free:
        return told
    common = implied & set(told) if told else implied
    return tuple(family for family in FAMILIES if family in (common or implied))


def _of_world(families: Iterable[str], endpoints: tuple[Endpoint, ...]) -> tuple[str, ...]:
    worlds = {"eap"} if endpoints == (Endpoint.EAP,) else {"web", "node", "eap"}
    if Endpoint.EAP not in endpoints and Endpoint.RADSEC not in endpoints:
        worlds = {"web", "node"}
    return tuple(family for family in families if BY_NAME[family].world in worlds)


# ---------------------------------------------------------------- where


def _hint(complaint: Complaint) -> frozenset[Endpoint]:
    """Return where it was told to have happened; empty: not told."""
    found = set()
    if complaint.page is not None or complaint.wifi is False:
        found.add(Endpoint.WEB)
    joined_there = complaint.site is not None and complaint.page is None
    if complaint.wifi or (joined_there and complaint.wifi is None):
        found.add(Endpoint.EAP)
    if complaint.log:
        found |= {Endpoint.EAP, Endpoint.RADSEC}
    return frozenset(found)


def _worlds(told: Iterable[str]) -> frozenset[Endpoint]:
    worlds = {"web": Endpoint.WEB, "node": Endpoint.WEB, "eap": Endpoint.EAP}
    return frozenset(worlds[BY_NAME[family].world] for family in told)


def _both(plan: Plan) -> frozenset[Endpoint]:
    eap = any(node.eap is not None for node in plan.nodes)
    return frozenset({Endpoint.WEB, *((Endpoint.EAP,) if eap else ())})


def _named(row: Row) -> frozenset[Endpoint]:
    """Return where the table itself has the row's causes."""
    if row.web_only:
        return frozenset({Endpoint.WEB})
    if row.eap_only or row.client_rules:
        return frozenset({Endpoint.EAP})
    return frozenset(endpoint_of(rule) for rule in row.words.rules)


def _wide(row: Row) -> frozenset[Endpoint]:
    """Return wherever such words can be met: what a rule says on one endpoint it says on all."""
    if row.web_only or row.eap_only:
        return _named(row)
    rules = row.words.rules
    servers = row.family in (ALERTS, "openssl-based")
    at = _PLACES if servers else (Endpoint.WEB, Endpoint.EAP)
    return _named(row) | {place for place in at if everywhere(rules, (place,))}


def _places(
    plan: Plan,
    rows: Iterable[Row],
    hint: frozenset[Endpoint],
    told: tuple[str, ...],
    against: list[str],
    *,
    firm: bool,
) -> Mapping[Row, tuple[Endpoint, ...]]:
    found: dict[Row, tuple[Endpoint, ...]] = {}
    radsec = any(node.radsec is not None for node in plan.nodes)
    for row in rows:
        named, wide = _named(row), _wide(row)
        servers = row.family in (ALERTS, "openssl-based")
        at = hint & wide if hint else (wide if servers else named)
        if hint and named and not at and not firm:
            at = named
        elif hint and named and not at:
            where = _TITLE[next(place for place in _PLACES if place in named)]
            said = " and ".join(_TITLE[place] for place in _PLACES[:2] if place in hint)
            against.append(
                f'"{row.words.words}" is seen {where}, and it was told to have happened {said}'
            )
            at = named
        if not hint:
            at = at & _worlds(told) or at
            at = at & _both(plan) | at & {Endpoint.RADSEC} or at
        if not radsec:
            at = at - {Endpoint.RADSEC} or at
        found[row] = tuple(place for place in _PLACES if place in at)
    return found


# ---------------------------------------------------------------- what


def _logged(alert: LogAlert) -> Match:
    rows = rows_of((alert.alert,))
    way = "received" if alert.received else "sent"
    said = f"TLS alert {alert.alert}, {way} by the server"
    return Match(Heard(said, tuple(row.words for row in rows)), rows, not alert.received)


def _of_client(match: Match, row: Row) -> bool:
    sent = match.sent and row.family == ALERTS
    return sent or (not row.words.rules and row.words.words != "close_notify")


def _rules(match: Match, row: Row, at: tuple[Endpoint, ...]) -> Iterator[tuple[int, str]]:
    """Yield the rules that a row may mean there, with their place among the guesses."""
    if match.sent and row.family == ALERTS:
        yield from enumerate(row.sent_rules)
        return
    found = everywhere(row.words.rules, at)
    yield from enumerate(found)
    if row.family == "openssl-based" and Endpoint.WEB in at:
        yield _AFTER, "cluster-join-untrusted"
    later = everywhere((also for rule in found for also in BESIDE.get(rule, ())), at)
    yield from enumerate(later, _AFTER)
    yield from enumerate(row.client_rules)


def _candidates(
    matches: Iterable[Match], at: Mapping[Row, tuple[Endpoint, ...]]
) -> tuple[Candidate, ...]:
    texts: dict[str, int] = {}
    guess: dict[str, int] = {}
    for match in matches:
        here: set[str] = set()
        for row in match.rows:
            for place, rule in _rules(match, row, at[row]):
                here.add(rule)
                guess[rule] = min(place, guess.get(rule, place))
        for rule in here:
            texts[rule] = texts.get(rule, 0) + 1
    found = (Candidate(rule, texts[rule], guess[rule]) for rule in guess)
    return tuple(sorted(found, key=lambda one: one.order))


def _apart(
    kept: list[Match], at: Mapping[Row, tuple[Endpoint, ...]], *, told: int
) -> Iterator[str]:
    """Yield the pairs of texts that have no cause in common, and the texts that have none with any
    alert of the log: that one has alerts of several people is usual. The first `told` are texts."""
    means = [
        {rule for row in match.rows for _, rule in _rules(match, row, at[row])} for match in kept
    ]
    telling = [
        (_short(match.heard.said), meant)
        for match, meant in zip(kept[:told], means, strict=False)
        if meant and not any(row.anything for row in match.rows)
    ]
    for (first, one), (second, other) in combinations(telling, 2):
        if not one & other:
            yield f'"{first}" and "{second}" have no cause in common: they may be two complaints'
    logged = {rule for meant in means[told:] for rule in meant}
    for said, meant in telling:
        if logged and not meant & logged:
            yield f'"{said}" has no cause in common with any alert of the log'


def _short(said: str) -> str:
    return shown(" ".join(said.split()))
