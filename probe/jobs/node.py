"""One node in depth: a node of a plan, or a host without any plan, looked at by defaults."""

from datetime import datetime
from pathlib import Path

from probe.assessment import Decision
from probe.jobs.sweep import JobError, Scope, end_of
from probe.judge.decide import decide
from probe.observation.model import Endpoint, Survey
from probe.observe.agenda import ALL, Depth
from probe.plan.addresses import canonical_address, is_address, port_number, split_address
from probe.plan.model import (
    FAMILIES,
    Audience,
    Eap,
    Node,
    Plan,
    Roots,
    SecretRef,
    Trust,
    Web,
)
from probe.plan.names import expected_name, host_name
from probe.plan.pem import file_roots, public_roots
from probe.plan.problems import Refused, nearest, shown
from probe.plan.sections import set_up

HTTPS = 443


def would_add(*, eap: bool) -> str:
    """Return what a plan would add to the look at a bare host, in words."""
    more = (
        "the addresses that its name should lead to",
        "the names that clients open there",
        "the roots of the organisation and the client families on site",
        "the other nodes, to compare with",
        *(() if eap else ("its EAP endpoint (--eap looks at it without a plan)",)),
    )
    return "\n  ".join(["Looked at by defaults. A plan would add:", *more])


def scope_of(
    plan: Plan,
    name: str,
    only: frozenset[Endpoint] = ALL,
    repeat: int | None = None,
    *,
    unsigned: bool = False,
    login: bool = False,
) -> Scope:
    """Return the scope of one node, named by its name or its host. Raises JobError."""
    for node in plan.nodes:
        if name == node.name or name.lower().removesuffix(".") == node.host:
            if unsigned and (node.eap is None or Endpoint.EAP not in only):
                raise JobError("--unsigned tries an EAP endpoint, and none is asked here")
            if login:
                from probe.jobs.login import check_login  # noqa: PLC0415  # seldom wanted

                check_login(plan, node, only)
            return Scope(Depth.NODE, only, (node.name,), repeat, unsigned, login)
    names = tuple(node.name for node in plan.nodes)
    raise JobError(f"{shown(name)} is no node of the plan{nearest(name, names)}")


def decisions(
    plan: Plan, seen: Survey, node: str, family: str, at: datetime | None = None
) -> tuple[Decision, ...]:
    """Return how one client family decides about what a node serves, as of `at` as for `assess`."""
    return decide(plan, seen, node=node, family=family, at=at if at is not None else end_of(seen))


def bare_scope(
    only: frozenset[Endpoint] = ALL, repeat: int | None = None, *, unsigned: bool = False
) -> Scope:
    """Return the scope of a host without a plan."""
    return Scope(Depth.NODE, only, repeat=repeat, unsigned=unsigned)


def bare_plan(
    place: str,
    *,
    eap: bool = False,
    expected_names: tuple[str, ...] = (),
    roots: Path | None = None,
) -> Plan:
    """Return the plan of one host: its name in DNS, web against the public roots, maybe EAP.

    `place` is HOST or HOST:PORT, a name or an address. `roots` are those of supplicants; without,
    the public ones. The RADIUS secret is asked for. Raises JobError.
    """
    host, port = _host(place)
    public = public_roots()
    return Plan(
        name=place,
        clients=tuple(set_up(family) for family in FAMILIES),
        trust=_trust(public, _roots(roots) if roots is not None else public, eap=eap),
        nodes=(
            Node(
                name=host,
                host=host,
                host_audience=Audience.GUESTS,
                addresses=(host,) if is_address(host) else None,
                web=Web(port=port),
                eap=_eap(expected_names) if eap else None,
            ),
        ),
        eap=_eap(expected_names) if eap else None,
    )


def _trust(public: Roots, eap_roots: Roots, *, eap: bool) -> Trust:
    web = (public,)
    of_eap = (eap_roots,) if eap else ()
    return Trust(
        public=web, web=web, staff=web, eap=of_eap, node=tuple(dict.fromkeys((*web, *of_eap)))
    )


def _eap(expected_names: tuple[str, ...]) -> Eap:
    try:
        names = tuple(dict.fromkeys(expected_name(name) for name in expected_names))
    except ValueError as error:
        raise JobError(f"an expected name cannot be used: {error}") from error
    return Eap(secret=SecretRef(ask=True), expected_names=names)


def _host(place: str) -> tuple[str, int]:
    try:
        if is_address(place) or place.startswith("["):
            return split_address(place, HTTPS)
        host, colon, port = place.partition(":")
        number = port_number(port, place) if colon else HTTPS
        return canonical_address(host) if is_address(host) else host_name(host), number
    except ValueError as error:
        raise JobError(f"{shown(place)} is no host, nor HOST:PORT: {error}") from error


def _roots(path: Path) -> Roots:
    try:
        return file_roots(path, str(path))
    except Refused as refused:
        raise JobError(refused.says) from refused
