"""From a file to a `Plan`, or to everything that is wrong with it.

The file is read key by key, each value at its place; what a whole plan may not say (an unknown
node, two nodes at one address) is checked after that, also where single values were wrong.
"""

import hashlib
import re
import tomllib
from pathlib import Path
from typing import Any, Self, TypeVar

from probe.limits import PLAN_BYTES
from probe.observation.model import Endpoint
from probe.plan import contradictions, sections, values
from probe.plan.model import (
    FAMILIES,
    Acceptance,
    Audience,
    Eap,
    Fetch,
    Guest,
    Node,
    Plan,
    Profile,
    Radsec,
    Resolver,
    Service,
    Site,
    Trust,
    Web,
    Windows,
)
from probe.plan.pem import read_bounded
from probe.plan.problems import At, PlanError, Problem, Refused, shown
from probe.plan.ranges import spread
from probe.plan.rule_ids import RULE_IDS
from probe.plan.settings import endpoint_tables, plan_eap
from probe.plan.tables import Entry, Parsers, array
from probe.plan.toml import tables
from probe.plan.trust import Sources, trust
from probe.records import dataclass, replace


def load_plan(path: Path | str) -> Plan:
    """Return the plan in a TOML file, checked, with the PEM files that it names loaded.

    Secrets are not looked for. Raises PlanError with all problems at once.
    """
    path = Path(path)
    octets, raw = _parsed(path)
    problems: list[Problem] = []
    plan = _plan(raw, At("", path.parent, problems))
    if problems or plan is None:
        raise PlanError(tuple(problems), path)
    return replace(plan, digest=hashlib.sha256(octets).hexdigest(), path=path)


def problems_in(text: str, folder: Path) -> tuple[Problem, ...]:
    """Return what is wrong with a plan that is not written yet, were it a file of that folder."""
    problems: list[Problem] = []
    try:
        _plan(_tables(text), At("", folder, problems))
    except Refused as refused:
        return (Problem("", refused.says),)
    return tuple(problems)


def _parsed(path: Path) -> tuple[bytes, dict[str, object]]:
    """Return the file's octets and its TOML. Raises PlanError with the one problem it has."""

    def wrong(says: str) -> PlanError:
        return PlanError((Problem("", says),), path)

    try:
        octets = read_bounded(path, PLAN_BYTES)
    except Refused as refused:
        raise wrong(refused.says) from refused
    try:
        text = octets.decode()
    except UnicodeDecodeError as error:
        line = octets.count(b"\n", 0, error.start) + 1
        raise wrong(f"line {line} is not UTF-8 text") from None  # the error holds the whole file
    try:
        return octets, _tables(text)
    except Refused as refused:
        raise wrong(refused.says) from None


def _tables(text: str) -> dict[str, Any]:
    """Return the TOML of a plan. Raises Refused."""
    try:
        return tables(text)
    except RecursionError:
        raise Refused("its tables or lists are nested too deeply") from None
    except tomllib.TOMLDecodeError as error:
        raise Refused(_syntax(str(error), text)) from None
    except ValueError:  # a number of more digits than Python converts
        raise Refused("it holds a number of too many digits") from None


def _syntax(message: str, text: str) -> str:
    found = re.fullmatch(r"(.*) \(at (?:line (\d+), column (\d+)|end of document)\)", message)
    if found is None:
        return f"no TOML: {message}"
    words, line, column = found.groups()
    if line is None:
        return f"line {text.count(chr(10)) + 1}, at the end: {words} (TOML syntax)"
    return f"line {line}, column {column}: {words} (TOML syntax)"


# ---------------------------------------------------------------- keys


def _keys(sources: Sources) -> Parsers:
    """Return the parsers of the whole plan."""
    node_names = values.list_of(values.name, at_least=1, what="node")
    node: Parsers = {
        "name": values.name,
        "host": values.host,
        "host_audience": values.member_of(Audience, "audience"),
        "addresses": values.addresses_or_dns,
        "connect": _connect,
        "group": values.name,
        "site": values.name,
        **endpoint_tables(sources, node=True),
    }
    group: Parsers = {"name": values.name, "site": values.name, **endpoint_tables(sources)}
    service: Parsers = {
        "name": values.host,
        "endpoint": values.member_of((Endpoint.WEB, Endpoint.EAP), "endpoint of a service"),
        "audience": values.member_of(Audience, "audience"),
        "nodes": node_names,
        "port": values.port,
        "addresses": values.address_list,
        "answers": values.word_of(("all", "any-of"), "way to answer"),
    }
    accept: Parsers = {
        "rule": values.word_of(RULE_IDS, "rule"),
        "nodes": node_names,
        "name": values.host,
        "reason": values.text,
        "until": values.day,
    }
    profile: Parsers = {
        "file": sections.profile_file,
        "family": values.word_of(sections.EAP_FAMILIES, "supplicant family"),
    }
    return {
        "name": values.text,
        "vantage": values.name,
        "clients": values.list_of(sections.client, at_least=1, what="client family"),
        "trust": lambda value, at: trust(value, at, sources),
        "dns": sections.dns,
        **endpoint_tables(sources),
        "eap": plan_eap,
        "login": sections.login,
        "guest": sections.guest,
        "fetch": sections.fetch,
        "limits": sections.limits,
        "judge": sections.windows,
        "service": array(service, named=False),
        "node": array(node, spread=spread),
        "group": array(group),
        "site": array({"name": values.name, "eap_order": node_names}),
        "profile": array(profile, named=False),
        "accept": array(accept, named=False),
    }


def _connect(value: object, at: At) -> tuple[tuple[str, str], ...]:
    """Return by which address this machine reaches a planned one."""
    if not isinstance(value, dict):
        raise Refused(f"is {values.kind(value)}", 'a table such as { "192.0.2.11" = "ADDRESS" }')
    found: dict[str, str] = {}
    for planned, reached in value.items():
        here = at.key(f'"{shown(planned)}"')
        with here:
            key = values.address(planned, here)
            if key in found:
                raise Refused("is there twice")
            found[key] = values.address(reached, here)
    return tuple(found.items())


# ---------------------------------------------------------------- the whole


def _plan(raw: dict[str, object], at: At) -> Plan | None:
    """Return the plan, None where a part that it cannot be without is wrong; note all problems."""
    sources = Sources()
    said = values.table(raw, at, _keys(sources))
    for key in ("name", "node"):
        if key not in raw or raw[key] == []:
            at.key(key).add("is missing", "one table [[node]] or more" if key == "node" else None)
    settings = _Settings.of(said)
    groups = {e.name: settings.under(e.said) for e in said.get("group", ()) if e.name is not None}
    nodes = []
    for entry in said.get("node", ()):
        with entry.at:
            entry.require("name", "host")
            nodes.append(_node(entry, groups.get(entry.said.get("group"), settings)))
    for entry in said.get("profile", ()):
        _read_profile(entry)
    contradictions.check(raw, said, at, tuple(nodes))
    if at.problems:
        return None
    names = tuple(node.name for node in nodes)
    return Plan(
        name=said["name"],
        clients=said.get("clients") or tuple(sections.set_up(family) for family in FAMILIES),
        trust=said["trust"] if "trust" in said else _default_trust(at, sources),
        nodes=tuple(nodes),
        resolvers=said.get("dns", (Resolver("system"),)),
        services=tuple(_service(entry.said, names) for entry in said.get("service", ())),
        vantage=said.get("vantage"),
        eap=settings.eap,
        radsec=settings.radsec,
        login=said.get("login"),
        guest=said.get("guest", Guest()),
        fetch=said.get("fetch", Fetch()),
        windows=said.get("judge", Windows()),
        limits=said.get("limits", ()),
        sites=tuple(Site(**entry.said) for entry in said.get("site", ())),
        profiles=tuple(Profile(**entry.said) for entry in said.get("profile", ())),
        accepted=tuple(Acceptance(**({"nodes": ()} | e.said)) for e in said.get("accept", ())),
    )


def _default_trust(at: At, sources: Sources) -> Trust:
    return trust({}, at.key("trust"), sources)


_Endpoint = TypeVar("_Endpoint", Web, Eap, Radsec)


@dataclass(frozen=True, slots=True)
class _Settings:
    """How to visit endpoints, and where: the plan's settings, or those that are laid over them."""

    web: Web
    eap: Eap | None
    radsec: Radsec | None
    site: str | None = None

    @classmethod
    def of(cls, plan: dict[str, Any]) -> Self:
        return cls(
            web=Web(**plan.get("web", {})),
            eap=Eap(**plan["eap"]) if "eap" in plan else None,
            radsec=Radsec(**plan["radsec"]) if "radsec" in plan else None,
        )

    def under(self, said: dict[str, Any]) -> "_Settings":
        """Return these with what a group or a node says over them."""
        return _Settings(
            web=_laid_over(self.web, said.get("web")),
            eap=self.eap and _laid_over(self.eap, said.get("eap")),
            radsec=self.radsec and _laid_over(self.radsec, said.get("radsec")),
            site=said.get("site", self.site),
        )


def _laid_over(base: _Endpoint, said: dict[str, Any] | None) -> _Endpoint:
    return replace(base, **said) if said else base


def _node(entry: Entry, shared: _Settings) -> Node:
    """Return a node: its own settings over its group's, or the plan's."""
    own, settings = entry.said, shared.under(entry.said)
    return Node(
        name=own["name"],
        host=own["host"],
        host_audience=own.get("host_audience", Audience.STAFF),
        addresses=own.get("addresses"),
        web=settings.web,
        eap=settings.eap,
        radsec=settings.radsec,
        connect=own.get("connect", ()),
        group=own.get("group"),
        site=settings.site,
    )


def _read_profile(entry: Entry) -> None:
    """Add what a supplicant profile expects, where file and family are right."""
    if "file" in entry.said and "family" in entry.said:
        with entry.at.key("file"):
            from probe.plan.profiles import read_profile  # noqa: PLC0415  # few plans have one

            path, name = entry.said["file"], str(entry.raw["file"])
            entry.said["expects"] = read_profile(path, name, entry.said["family"])


def _service(said: dict[str, Any], names: tuple[str, ...]) -> Service:
    return Service(
        name=said["name"],
        endpoint=said.get("endpoint", Endpoint.WEB),
        audience=said.get("audience", Audience.GUESTS),
        nodes=said.get("nodes", names),
        port=said.get("port"),
        addresses=said.get("addresses", ()),
        any_of=said.get("answers") == "any-of",
    )
