"""What no single value shows: references that lead nowhere, and parts that contradict others."""

from collections.abc import Callable, Iterable
from typing import Any

from probe.observation.model import Endpoint
from probe.plan.model import Node
from probe.plan.problems import At, nearest, shown
from probe.plan.tables import Entry, once


def check(raw: dict[str, object], said: dict[str, Any], at: At, nodes: tuple[Node, ...]) -> None:
    """Note every contradiction in what a plan says.

    `raw` is the file, `said` what is right in it, `nodes` those that could be made of it.
    """
    _Check(raw, said, at, nodes).run()


class _Check:
    def __init__(
        self, raw: dict[str, object], said: dict[str, Any], at: At, nodes: tuple[Node, ...]
    ) -> None:
        self.raw = raw
        self.said = said
        self.at = at
        self.nodes = nodes

    def run(self) -> None:
        self._endpoints()
        self._hosts()
        self._groups()
        self._places()
        self._services()
        self._connect()
        self._eap()
        self._radsec()
        self._sites_and_profiles()
        self._acceptances()
        self._guests()

    def _entries(self, key: str) -> tuple[Entry, ...]:
        found: tuple[Entry, ...] = self.said.get(key, ())
        return found

    def _named(self, key: str) -> tuple[str, ...]:
        """Return the names of all tables of an array, also of those that are wrong otherwise."""
        return tuple(entry.name for entry in self._entries(key) if entry.name is not None)

    def _known_nodes(self, entry: Entry, key: str) -> None:
        known = self._named("node")
        for number, name in enumerate(entry.said.get(key, ()), 1):
            if name not in known:
                entry.at.key(key).entry(number).add(
                    f"{shown(name)} is no node of the plan{nearest(name, known)}"
                )

    def _endpoints(self) -> None:
        """An endpoint is in the plan by its own table; a node's or group's only alters it."""
        for endpoint in ("eap", "radsec"):
            if endpoint in self.raw:
                continue
            for entry in (*self._entries("group"), *self._entries("node")):
                if endpoint in entry.raw:
                    entry.at.key(endpoint).add(
                        f"the plan has no table [{endpoint}]: an empty one puts it in the plan"
                    )

    def _radsec(self) -> None:
        """A certificate is shown with its key, or not at all."""
        halves = [
            node.name
            for node in self.nodes
            if node.radsec and (node.radsec.certificate is None) != (node.radsec.key is None)
        ]
        # What was refused by itself is not there either.
        told = any("radsec" in problem.place for problem in self.at.problems)
        if halves and not told:
            says = f"has only one of certificate and key for {shown(halves[0])}: it takes both"
            self.at.key("radsec").add(f"{says}, or none")

    def _hosts(self) -> None:
        hosts = ((entry.said.get("host"), entry.at) for entry in self._entries("node"))
        once(hosts, "hosts", key="host")

    def _groups(self) -> None:
        known = self._named("group")
        for entry in self._entries("node"):
            group = entry.said.get("group")
            if group is not None and group not in known:
                entry.at.key("group").add(
                    f"{shown(group)} is no group of the plan{nearest(group, known)}"
                )

    def _places(self) -> None:
        """No two nodes answer at one address and port."""
        at = {entry.name: entry.at for entry in self._entries("node")}
        endpoints: tuple[tuple[str, Callable[[Node], Iterable[tuple[str, int]]]], ...] = (
            ("web", _web_places),
            ("eap", _eap_places),
        )
        for endpoint, places in endpoints:
            first: dict[tuple[str, int], str] = {}
            for node in self.nodes:
                for address, port in places(node):
                    other = first.setdefault((address, port), node.name)
                    if other != node.name:
                        at[node.name].key("addresses").add(
                            f"{address}, port {port} ({endpoint}) is {shown(other)}'s already"
                        )

    def _services(self) -> None:
        entries = self._entries("service")
        once(
            ((_service_key(entry), entry.at) for entry in entries if entry.name is not None),
            "services of one endpoint and port",
            key="name",
        )
        for entry in entries:
            with entry.at:
                self._known_nodes(entry, "nodes")
                if entry.said.get("endpoint") is Endpoint.EAP:
                    self._virtual_eap(entry)
                entry.require("name")

    def _virtual_eap(self, entry: Entry) -> None:
        if "addresses" not in entry.raw:
            entry.at.key("addresses").add("is missing: this is a virtual RADIUS address")
        if "eap" not in self.raw:
            entry.at.key("endpoint").add("EAP is not in the plan: it has no table [eap]")

    def _connect(self) -> None:
        at = {entry.name: entry.at for entry in self._entries("node")}
        for node in self.nodes:
            if not node.connect or node.addresses is None:
                continue  # "dns": whatever its name resolves to is planned
            planned = {address for address, _ in (*_web_places(node), *_eap_places(node))}
            planned.update(node.addresses)
            for entry in self._entries("service"):
                if node.name in entry.said.get("nodes", (node.name,)):
                    planned.update(entry.said.get("addresses", ()))
            for address, _ in node.connect:
                if address not in planned:
                    at[node.name].key("connect").add(f"{address} is no address of this node")

    def _eap(self) -> None:
        trust = self.raw.get("trust")
        roots = trust.get("eap") if isinstance(trust, dict) else None
        if "eap" in self.raw and roots in (None, []):
            says = "is missing" if roots is None else "is empty"
            self.at.key("trust").key("eap").add(
                f"{says}, and EAP is in the plan: nothing says which roots supplicants trust",
                'PEM files, such as ["pki/root.pem"], or ["public"] where that is meant',
            )
        said = self.said.get("eap", {})
        own = said.get("nas_address")
        for node in self.nodes:
            if own is not None and own in (node.addresses or ()):
                self.at.key("eap").key("nas_address").add(
                    f"{own} is {shown(node.name)}'s: never another device's address"
                )
        login = self.said.get("login")
        if "login" in self.raw and "eap" not in self.raw:
            self.at.key("login").add("EAP is not in the plan: it has no table [eap]")
        if (
            login is not None
            and login.account is not None
            and login.account == said.get("identity")
        ):
            self.at.key("eap").key("identity").add(
                "is the account of [login]: probing uses a name that is nobody's account"
            )

    def _sites_and_profiles(self) -> None:
        for entry in self._entries("site"):
            with entry.at:
                self._known_nodes(entry, "eap_order")
                entry.require("name", "eap_order")
        for entry in self._entries("profile"):
            with entry.at:
                entry.require("file", "family")
        for key in ("site", "profile"):
            if self._entries(key) and "eap" not in self.raw:
                self.at.key(key).add("EAP is not in the plan: it has no table [eap]")
        files = ((entry.said.get("file"), entry.at) for entry in self._entries("profile"))
        once(files, "profiles", key="file")

    def _acceptances(self) -> None:
        opened = {entry.said.get("host") for entry in self._entries("node")}
        opened |= {entry.name for entry in self._entries("service")}
        entries = self._entries("accept")
        for entry in entries:
            with entry.at:
                self._known_nodes(entry, "nodes")
                name = entry.said.get("name")
                if name is not None and name not in opened:
                    entry.at.key("name").add(f"{shown(name)} is no name of the plan")
                entry.require("rule", "reason", "until")
        once(
            (
                ((entry.said["rule"], entry.said.get("nodes"), entry.said.get("name")), entry.at)
                for entry in entries
                if "rule" in entry.said
            ),
            "acceptances of one rule, nodes and name",
        )

    def _guests(self) -> None:
        guest = self.said.get("guest")
        canary = guest.canary if guest is not None else None
        names = {node.host for node in self.nodes} | set(self._named("service"))
        if canary is not None and canary in names:
            self.at.key("guest").key("canary").add(
                f"{shown(canary)} is a name of the plan: a canary stands outside it"
            )


def _service_key(entry: Entry) -> tuple[str | None, Endpoint, int | None]:
    return entry.name, entry.said.get("endpoint", Endpoint.WEB), entry.said.get("port")


def _web_places(node: Node) -> tuple[tuple[str, int], ...]:
    return tuple((address, node.web.port) for address in node.web_addresses() or ())


def _eap_places(node: Node) -> tuple[tuple[str, int], ...]:
    if node.eap is None:
        return ()
    return tuple((address, node.eap.port) for address in node.eap_addresses() or ())
