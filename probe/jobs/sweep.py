"""From a plan to an assessment: ask, look, judge. The commands are thin over this.

Each step is a function of its own, so that a command can show the agenda and stop, or judge saved
surveys without looking.
"""

import asyncio
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from probe.assessment import Assessment
from probe.judge.assess import judge
from probe.judge.change import since
from probe.judge.imported import Imported
from probe.judge.part import nodes_asked
from probe.limits import DEFAULT, Limits
from probe.observation.merge import merge
from probe.observation.model import Endpoint, Handshake, Lookup, Question, Survey
from probe.observe.agenda import ALL, Depth, agenda, secrets_needed
from probe.observe.events import OnEvent, ignore
from probe.observe.library import shortcomings
from probe.observe.radsecvisits import CredentialError, credentials
from probe.observe.sweep import survey
from probe.plan.model import Fetch, Plan, SecretRef
from probe.plan.problems import nearest, shown
from probe.plan.secrets import Prompt, Secret, SecretError, resolve
from probe.records import dataclass, replace

if TYPE_CHECKING:
    from probe.due import Due
    from probe.observe.footprint import Footprint


class JobError(Exception):
    """What was asked for cannot be done as it stands. Its text is for whoever asked."""


@dataclass(frozen=True, slots=True)
class Scope:
    """How closely to look, and at what."""

    depth: Depth = Depth.SWEEP
    only: frozenset[Endpoint] = ALL
    nodes: tuple[str, ...] = ()
    """Names of nodes; empty: all."""
    repeat: int | None = None
    """How often the same is asked of one web address by one name, and in depth of one EAP address;
    None: as the depth has it."""
    unsigned: bool = False
    """In depth: whether RADIUS servers get a request without Message-Authenticator."""
    login: bool = False
    """Of one node: whether one complete login follows (`jobs/login.py`)."""
    both_kinds: bool = False
    """Whether EAP endpoints are asked by each key family, too."""

    @property
    def in_depth(self) -> bool:
        """Whether it is one node that is looked at closely."""
        return self.depth is Depth.NODE


def questions(plan: Plan, scope: Scope) -> tuple[Question, ...]:
    """Return what is to be asked. Raises JobError for an unknown node, or if it is nothing."""
    check_nodes(plan, scope.nodes)
    found = agenda(
        plan,
        scope.depth,
        only=scope.only,
        nodes=scope.nodes,
        repeat=scope.repeat,
        unsigned=scope.unsigned,
        both_kinds=scope.both_kinds,
    )
    if not found:
        wanted = ", ".join(sorted(scope.only))
        why = f"the plan says nothing of {wanted}" if wanted else "names serve no certificate"
        raise JobError(f"there is nothing to ask: {why}")
    return found


def check_nodes(plan: Plan, names: Iterable[str]) -> None:
    """Raise JobError for a name that is no node of the plan."""
    known = tuple(node.name for node in plan.nodes)
    for name in names:
        if name not in known:
            raise JobError(f"{shown(name)} is no node of the plan{nearest(name, known)}")


def without_fetching(plan: Plan) -> Plan:
    """Return the plan to ask by where nothing is to be fetched from authorities.

    Judge by the plan itself: what it wants to know and was not fetched is unseen.
    """
    return replace(plan, fetch=Fetch(off=True))


def effort(plan: Plan, asked: tuple[Question, ...]) -> "Footprint":
    """Return of whom how much will be asked, and what it leaves in servers' logs."""
    from probe.observe.footprint import footprint  # noqa: PLC0415  # seldom wanted

    return footprint(plan, asked)


def secrets_for(
    plan: Plan, asked: tuple[Question, ...], *, prompt: Prompt | None = None
) -> dict[SecretRef, Secret]:
    """Return the secrets that these questions need. Raises SecretError."""
    by_eap = {question.nodes[0] for question in asked if question.endpoint is Endpoint.EAP}
    without = [
        node.name
        for node in plan.nodes
        if node.name in by_eap and node.eap is not None and node.eap.secret is None
    ]
    if without:
        names = ", ".join(shown(name) for name in without)
        raise SecretError(
            (
                f"the plan names no RADIUS secret for {names}: write"
                ' eap.secret = { environment = "NAME" }, or leave EAP out (--only dns,web)',
            )
        )
    return resolve(secrets_needed(plan, asked), prompt=prompt)


def check_keys(plan: Plan, asked: tuple[Question, ...], secrets: Mapping[SecretRef, bytes]) -> None:
    """Raise SecretError if a key is not that of the certificate that it is to prove."""
    try:
        credentials(plan, asked, secrets)
    except CredentialError as error:
        raise SecretError((str(error),)) from None


def limits_of(plan: Plan) -> Limits:
    """Return the limits with the plan's overrides."""
    overrides: dict[str, Any] = dict(plan.limits)
    return replace(DEFAULT, **overrides)


def left_out(asked: tuple[Question, ...]) -> str | None:
    """Return in a sentence what this machine's TLS library keeps from being asked. None: nothing,
    or nothing is asked that needs it."""
    return shortcomings() if any(question.handshake is not None for question in asked) else None


def look(
    plan: Plan,
    asked: tuple[Question, ...],
    secrets: Mapping[SecretRef, bytes],
    *,
    on_event: OnEvent | None = None,
    besides: Iterable[tuple[bytes, ...]] = (),
) -> Survey:
    """Ask everything and return what was seen. `besides` are chains that nobody serves yet and
    whose CAs are asked too.

    An interrupt (SIGINT) ends it early: what is known is returned, marked as interrupted.
    """
    seen: list[Survey] = []

    async def ask() -> None:
        seen.append(
            await survey(
                plan,
                asked,
                secrets=secrets,
                limits=limits_of(plan),
                on_event=on_event or ignore,
                besides=besides,
            )
        )

    # Not as the task's result: asyncio writes that out at its end, where it takes its signal
    # handler back, and a survey is long.
    asyncio.run(ask())
    return seen[0]


def recall(plan: Plan, surveys: Iterable[Survey], scope: Scope) -> Survey:
    """Return saved surveys as one, cut down to the scope and to the nodes of the plan.

    Raises JobError for an unknown node, or if nothing is left.
    """
    check_nodes(plan, scope.nodes)
    names = frozenset(scope.nodes or (node.name for node in plan.nodes))
    seen = narrow(merge(surveys), scope.only, names)
    if not seen.questions:
        raise JobError("the saved survey holds nothing of what is asked for here")
    return seen


def narrow(seen: Survey, only: frozenset[Endpoint], nodes: frozenset[str]) -> Survey:
    """Return the part of a survey that speaks of these endpoints and nodes."""
    kept: dict[str, Question] = {}
    for question in seen.questions:
        of = tuple(name for name in question.nodes if name in nodes)
        if question.endpoint in only and of:
            kept[question.id] = replace(question, nodes=of)

    def handshake(record: Handshake) -> Handshake:
        return replace(record, nodes=tuple(name for name in record.nodes if name in nodes))

    lookups: tuple[Lookup, ...] = tuple(r for r in seen.lookups if r.question in kept)
    handshakes = tuple(handshake(r) for r in seen.handshakes if r.question in kept)
    return replace(
        seen, questions=tuple(kept.values()), lookups=lookups, handshakes=handshakes
    ).trimmed()


def not_asked(plan: Plan, seen: Survey, scope: Scope) -> tuple[str, ...]:
    """Return the nodes in the scope that no question of the survey speaks of."""
    asked = nodes_asked(seen)
    wanted = scope.nodes or tuple(node.name for node in plan.nodes)
    return tuple(name for name in wanted if name not in asked)


@dataclass(frozen=True, slots=True)
class Before:
    """What earlier runs tell a judge."""

    last: Survey | None = None
    """The last answers to what is asked now; None: there are none."""
    answered: Survey | None = None
    """Of what is silent now: the last time that this machine was served there, if ever."""


def assess(
    plan: Plan,
    seen: Survey,
    at: datetime | None = None,
    before: Before = Before(),  # noqa: B008  # frozen
    imported: Imported | None = None,
) -> Assessment:
    """Judge a survey as of `at`; None: its own end, of several the latest. `imported` should be
    served by now.

    Nodes that were not asked are left out: nothing is known of them, not even that they are sound.
    """
    as_of = at if at is not None else end_of(seen)
    found = judge(plan, seen, at=as_of, before=before.answered, expected=imported)
    if before.last is None:
        return found
    return replace(found, since=since(plan, before.last, seen, found))


def ends(plan: Plan, seen: Survey, at: datetime | None = None) -> "Due":
    """Return what ends when, as of `at` as for `assess`."""
    from probe.judge.due import due  # noqa: PLC0415  # one command asks for it

    return due(plan, seen, at=at if at is not None else end_of(seen))


def end_of(seen: Survey) -> datetime:
    """Return when the last of the surveys in it ended."""
    return max(taken.ended for taken in seen.taken).astimezone(UTC)
