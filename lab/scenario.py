"""Scenario files: what is there and what is wrong, read from TOML and checked.

A scenario may be based on another one: its tables are laid over the other's, key by key; anything
that is no table is replaced. So a file that breaks one thing holds that one thing. Names in braces
are filled in for each node: `{node}` and `{host}` in a certificate that is issued `per_node`.
What findings a scenario should give stands in the tests, not here.
"""

import tomllib
from difflib import get_close_matches
from pathlib import Path
from typing import Any

import msgspec

from lab.authority import KEY_KINDS, KEY_USAGES, PURPOSES, Blueprint
from lab.marks import OLD_HASHES, POLICIES
from lab.tables import (
    RECORD_TYPES,
    AuthoritySettings,
    Canary,
    Certificate,
    ChainLabels,
    NameServerSettings,
    Node,
    Profile,
    Records,
    Service,
    Trust,
)

FOLDER = Path(__file__).parent / "scenarios"


class ScenarioError(ValueError):
    """A scenario that cannot be read or makes no sense; the text is for the user."""


class Scenario(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A whole cluster, healthy or not."""

    name: str
    title: str
    """The plan's name."""
    domain: str
    nodes: tuple[str, ...]
    node: dict[str, Node]
    certificate: dict[str, Certificate]
    trust: Trust
    service: dict[str, Service] = {}
    record: dict[str, Records] = {}
    nameserver: dict[str, NameServerSettings] = msgspec.field(
        default_factory=lambda: {"main": NameServerSettings()}
    )
    profile: dict[str, Profile] = {}
    signed: bool = False
    """Whether the zone is signed, and the name servers say that its data validate."""
    radsec_peer: ChainLabels = ()
    """The certificate that the plan has for going inside RadSec, and its issuers; empty: none."""
    canary: Canary | None = None
    authority: dict[str, AuthoritySettings] = {}
    """By the label of the CA's certificate; others' servers have nothing wrong."""
    imported: ChainLabels = ()
    """What was imported last: the certificates of the bundle, the server's own first."""
    plan: dict[str, Any] = {}
    """Laid over the plan that the lab writes, as it stands."""

    @staticmethod
    def load(name: str) -> "Scenario":
        """Read the scenario of that name. Raises ScenarioError."""
        if name not in known():
            near = get_close_matches(name, known())
            meant = f", did you mean {' or '.join(near)}?" if near else ""
            raise ScenarioError(
                f"there is no scenario {name!r}{meant or ':'} `python -m lab --help` lists them"
            )
        return Scenario.read(FOLDER / f"{name}.toml")

    @staticmethod
    def read(path: Path) -> "Scenario":
        """Read a scenario file. Raises ScenarioError."""
        settings = _with_base(path, ())
        settings["name"] = path.stem
        try:
            scenario = msgspec.convert(_with_nodes(settings), Scenario)
        except msgspec.ValidationError as error:
            raise ScenarioError(f"{path}: {error}") from None
        problem = _problem(scenario)
        if problem is not None:
            raise ScenarioError(f"{path}: {problem}")
        return scenario

    def blueprints(self) -> tuple[Blueprint, ...]:
        """Return what every certificate should say; those per node are named "label@node"."""
        found = []
        for label, certificate in self.certificate.items():
            fields = msgspec.structs.asdict(certificate)
            per_node = fields.pop("per_node")
            blueprint = Blueprint(label=label, **fields)
            if per_node:
                found += [_for_node(blueprint, name, self.node[name].host) for name in self.nodes]
            else:
                found.append(blueprint)
        return tuple(found)

    def authorities(self) -> tuple[str, ...]:
        """Return the labels of the CAs that need servers, as some certificate carries their
        addresses."""
        named = (
            certificate.issuer
            for certificate in self.certificate.values()
            if certificate.addresses and certificate.issuer is not None
        )
        return tuple(dict.fromkeys((*self.authority, *named)))

    def nodes_of(self, service: Service) -> tuple[str, ...]:
        """Return the nodes that serve a service."""
        return service.nodes or self.nodes

    def labels_for(self, node: str, chain: ChainLabels) -> ChainLabels:
        """Return the labels of blueprints that stand for a chain at one node."""
        return tuple(
            f"{label}@{node}" if self.certificate[label].per_node else label for label in chain
        )


def known() -> tuple[str, ...]:
    """Return the names of all scenarios that are shipped, sorted."""
    return tuple(sorted(path.stem for path in FOLDER.glob("*.toml")))


def _with_base(path: Path, above: tuple[Path, ...]) -> dict[str, Any]:
    if path in above:
        raise ScenarioError(f"{path} is based on itself")
    try:
        settings = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError) as error:
        raise ScenarioError(f"{path} cannot be read: {error}") from None
    except tomllib.TOMLDecodeError as error:
        raise ScenarioError(f"{path} is no TOML: {error}") from None
    base = settings.pop("based_on", None)
    if base is None:
        return settings
    if not isinstance(base, str):
        raise ScenarioError(f"{path}: based_on must be the name of a scenario")
    return laid_over(_with_base(path.parent / f"{base}.toml", (*above, path)), settings)


def laid_over(below: dict[str, Any], above: dict[str, Any]) -> dict[str, Any]:
    """Return one table laid over another, key by key; what is no table is replaced."""
    merged = dict(below)
    for key, value in above.items():
        under = merged.get(key)
        if isinstance(value, dict) and isinstance(under, dict):
            merged[key] = laid_over(under, value)
        else:
            merged[key] = value
    return merged


def _with_nodes(settings: dict[str, Any]) -> dict[str, Any]:
    """Give every node its own copy of [web], [eap] and [radsec], with its own laid over."""
    result = dict(settings)
    shared: dict[str, Any] = {
        key: result.pop(key) for key in ("web", "eap", "radsec") if key in result
    }
    nodes, own = result.get("nodes"), result.get("node", {})
    if not isinstance(nodes, list) or not isinstance(own, dict):
        return result  # the reader says what is wrong with it
    stray = [name for name in own if name not in nodes]
    if stray:
        raise ScenarioError(f"[node.{stray[0]}] is not among the nodes {', '.join(nodes)}")
    result["node"] = {
        name: laid_over({"host": f"{name}.{result.get('domain')}", **shared}, own.get(name, {}))
        for name in nodes
    }
    return result


def _for_node(blueprint: Blueprint, node: str, host: str) -> Blueprint:
    def fill(text: str) -> str:
        return text.replace("{node}", node).replace("{host}", host)

    return msgspec.structs.replace(
        blueprint,
        label=f"{blueprint.label}@{node}",
        common_name=fill(blueprint.common_name) if blueprint.common_name else None,
        names=tuple(fill(name) for name in blueprint.names),
    )


def _problem(scenario: Scenario) -> str | None:
    """Return the first thing that makes no sense, in words."""
    if not scenario.nodes:
        return "there is no node"
    if not scenario.nameserver:
        return "there is no name server"
    for place, label in _labels_used(scenario):
        if label not in scenario.certificate:
            return f"{place} names a certificate {label!r} that is not there"
    if scenario.canary is not None and scenario.canary.at not in scenario.nodes:
        return f"[canary] names a node {scenario.canary.at!r} that is not there"
    for label, certificate in scenario.certificate.items():
        unknown = _unknown_word(certificate)
        if unknown is not None:
            return f"[certificate.{label}]: {unknown}"
    for place, records in _records(scenario):
        problem = _odd_record(scenario, records)
        if problem is not None:
            return f"{place}: {problem}"
    for node in scenario.nodes:
        eap = scenario.node[node].eap
        said = eap.problem() if eap is not None else None
        if said is not None:
            return f"[node.{node}.eap] {said}"
    return _problem_of_services(scenario)


def _problem_of_services(scenario: Scenario) -> str | None:
    for name, service in scenario.service.items():
        if service.balancing is not None and not (service.virtual and service.endpoint == "eap"):
            return f"[service.{name!r}] can spread nothing: it is no virtual EAP address"
        for node in service.nodes:
            if node not in scenario.nodes:
                return f"[service.{name!r}] names a node {node!r} that is not there"
    return None


def _records(scenario: Scenario) -> list[tuple[str, Records]]:
    """Return all [record] tables with their places."""
    found = [(f"[record.{name!r}]", said) for name, said in scenario.record.items()]
    for server, settings in scenario.nameserver.items():
        place = f"[nameserver.{server}.record"
        found += [(f"{place}.{name!r}]", said) for name, said in settings.record.items()]
    return found


def _odd_record(scenario: Scenario, records: Records) -> str | None:
    for value in records.A or ():
        node, slash, _ = value.partition("/")
        if slash and not (node in scenario.nodes and scenario.node[node].outside):
            return f"{value!r} is no outside interface of a node"
    for value in records.TLSA or ():
        if len(value.split()) != 4:
            return f"{value!r} is not usage, selector, matching type and data"
    for kind in records.faults:
        if kind not in RECORD_TYPES:
            return f"{kind!r} is no type of records; known: {', '.join(RECORD_TYPES)}"
    return None


def _unknown_word(certificate: Certificate) -> str | None:
    used = (
        ("key", (certificate.key,), KEY_KINDS),
        ("purpose", certificate.purposes, PURPOSES),
        ("key usage", certificate.key_usage or (), KEY_USAGES),
        ("policy", certificate.policies, POLICIES),
        ("hash", (certificate.signed_with,) if certificate.signed_with else (), OLD_HASHES),
    )
    for what, words, known_words in used:
        for word in words:
            if word not in known_words:
                return f"unknown {what} {word!r}; known: {', '.join(known_words)}"
    return None


def _labels_used(scenario: Scenario) -> list[tuple[str, str]]:
    used: list[tuple[str, str]] = []
    for node in scenario.nodes:
        web, eap = scenario.node[node].web, scenario.node[node].eap
        groups = [("web", web.chains), *((key, (chain,)) for key, chain in web.served())]
        if eap is not None:
            groups += [("eap", eap.chains), *((key, (chain,)) for key, chain in eap.served())]
            groups += [("eap.client_authorities", ((label,),)) for label in eap.client_authorities]
        radsec = scenario.node[node].radsec
        groups += radsec.named() if radsec is not None else ()
        for place, chains in groups:
            # An empty chain has no first certificate: let it be found as one without a name.
            for chain in chains or ((),):
                used += [(f"[node.{node}.{place}]", label) for label in chain or ("",)]
    for label, certificate in scenario.certificate.items():
        for other in (certificate.issuer, certificate.key_of):
            if other is not None:
                used.append((f"[certificate.{label}]", other))
    for label, authority in scenario.authority.items():
        place = f"[authority.{label}]"
        used += [(place, one.partition("@")[0]) for one in (label, *authority.revoked)]
        if authority.delegate is not None:
            used.append((place, authority.delegate))
    used += [("imported", label) for label in scenario.imported]
    for name, profile in scenario.profile.items():
        used += [(f"[profile.{name!r}]", label) for label in profile.anchors]
    used += [("radsec_peer", label) for label in scenario.radsec_peer]
    for world in ("public", "web", "staff", "eap", "node", "client_issuers", "radsec"):
        labels: tuple[str, ...] = getattr(scenario.trust, world)
        used += [(f"trust.{world}", label) for label in labels if label != "public"]
    return used
