"""A whole cluster on loopback: its certificates, its servers and the plan that describes it.

    with Cluster(Scenario.load("eap-leaf-differs"), directory=folder) as lab:
        ... lab.plan_path ...

The servers run in one thread with an event loop of its own. If one of them crashes, the others go
on, and leaving the block raises LabCrash: a lab with a bug must not look like a finding.
"""

import asyncio
import threading
from collections.abc import Iterable
from contextlib import AsyncExitStack
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Protocol, Self

import msgspec

from lab.authority import BlueprintError, Issued, Workshop
from lab.authorityserver import AuthorityServer, Office
from lab.description import (
    PROFILE_FOLDER,
    RADSEC_CERTIFICATE,
    RADSEC_KEY,
    SECRET_FILE,
    plan_of,
)
from lab.eapsettings import EapSettings
from lab.eapsite import EapSite
from lab.marks import timestamp_list
from lab.names import authority_host, zones_of
from lab.nameserver import NameServer
from lab.places import Kind, Ports, Seat
from lab.profiles import PROFILES
from lab.radiusserver import RadiusServer
from lab.radsecserver import RadsecServer
from lab.relay import Path as Way  # `pathlib` has the other
from lab.relay import Relay
from lab.revocation import Authority, State, serials
from lab.scenario import Scenario, ScenarioError
from lab.seating import Seating
from lab.tables import AuthoritySettings, ChainLabels
from lab.tls import ServedChain, write_chain
from lab.toml import to_toml
from lab.webserver import WebServer, WebSite

_SECRET = "a lab's secret: berth-7-lantern-north"
_PATIENCE = 30.0
"""Seconds for all servers to begin or to end: far beyond what it takes, so that a hang is seen."""


class LabCrash(RuntimeError):
    """A server of the lab failed by itself; its own exception is the cause."""


class _Server(Protocol):
    async def start(self) -> None: ...

    async def stop(self) -> None: ...


class Cluster:
    """A running cluster. Everything it writes is in `directory`, which it makes if need be.

    `at` is the reference time from which the certificates' dates are counted (default: now).
    """

    plan_path: Path
    """The plan that was written."""

    def __init__(
        self,
        scenario: Scenario,
        *,
        directory: Path,
        single_address: bool = False,
        ports: Ports = Ports(),  # noqa: B008  # frozen
        at: datetime | None = None,
    ) -> None:
        self.scenario = scenario
        self.directory = directory
        self.at = at if at is not None else datetime.now(UTC).replace(microsecond=0)
        self.plan_path = directory / "plan.toml"
        self.imported_path = directory / "imported.pem"
        """What the scenario says was imported last, if it says so."""
        self.over = threading.Event()
        """Set when the cluster ends, also when it ends by itself because a server crashed."""
        self.radius: dict[str, RadiusServer] = {}
        """The EAP servers by node: what they have counted. A virtual address that no relay spreads
        has one of its own, by the service's name."""
        self._single_address = single_address
        self._ports = ports
        self._seating = Seating(scenario)
        self._failures: list[BaseException] = []
        self._loop: asyncio.AbstractEventLoop | None = None
        self._thread: threading.Thread | None = None
        self._ready = threading.Event()
        self._workshop = Workshop(scenario.blueprints(), self.at)
        self._offices: dict[str, Office] = {}
        self._chains: dict[str, ServedChain] = {}
        self._webs: dict[str, list[WebServer]] = {}
        self._radii: dict[str, list[RadiusServer]] = {}
        """By node: its servers."""

    # ------------------------------------------------------------ life

    def __enter__(self) -> Self:
        """Start. Raises ScenarioError, NoPlace, OSError (the directory), LabCrash."""
        self._seating.take(ports=self._ports, single_address=self._single_address)
        try:
            self._open_offices()
            self._issue()
            servers = self._servers()
            self._write_plan()
        except BaseException as error:
            self._seating.close()
            if isinstance(error, BlueprintError):
                raise ScenarioError(f"{self.scenario.name}: {error}") from error
            raise
        self._thread = threading.Thread(
            target=self._run, args=(servers,), name=f"lab {self.scenario.name}"
        )
        self._thread.start()
        if not self._ready.wait(_PATIENCE) or self._failures:
            self.stop()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        self.stop()

    def stop(self) -> None:
        """End all servers and wait for them. Raises LabCrash if one failed; twice does no harm."""
        if self._loop is not None and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self._ending.set)
        if self._thread is not None:
            self._thread.join(_PATIENCE)
            if self._thread.is_alive():
                raise LabCrash("the lab's servers do not end")
            self._thread = None
        self._seating.close()
        self.over.set()
        if self._failures:
            first, self._failures = self._failures[0], []
            raise LabCrash(f"a server of the lab failed: {first!r}") from first

    def _run(self, servers: tuple[_Server, ...]) -> None:
        try:
            asyncio.run(self._serve(servers))
        except BaseException as error:  # raised again in `stop`, by its caller
            self._failures.append(error)
        finally:
            self.over.set()
            self._ready.set()

    async def _serve(self, servers: tuple[_Server, ...]) -> None:
        loop = asyncio.get_running_loop()
        loop.set_exception_handler(self._crashed)
        self._ending = asyncio.Event()
        self._loop = loop
        async with AsyncExitStack() as stack:
            for server in servers:
                stack.push_async_callback(server.stop)
                await server.start()
            self._ready.set()
            await self._ending.wait()
        # Transports close themselves in the loop's next turn.
        await asyncio.sleep(0)

    def _crashed(self, loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:  # noqa: ARG002  # asyncio's signature
        error = context.get("exception")
        self._failures.append(error if error is not None else RuntimeError(context["message"]))
        self.over.set()

    # ------------------------------------------------------------ what is where

    @property
    def names(self) -> tuple[str, ...]:
        """The names of the nodes."""
        return self.scenario.nodes

    @property
    def secret(self) -> bytes:
        """The shared secret of RADIUS client and servers."""
        return _SECRET.encode()

    @property
    def resolvers(self) -> tuple[str, ...]:
        """Where the name servers answer, as the plan writes it."""
        seats = (self._seating.nameserver(name) for name in self.scenario.nameserver)
        return tuple("{}:{}".format(*self._where(seat)) for seat in seats)

    def web_place(self, node: str) -> tuple[str, int]:
        """Return address and port of a node's web endpoint."""
        return self._where(self._seating.web(node))

    def eap_place(self, node: str) -> tuple[str, int]:
        """Return address and port of a node's EAP endpoint."""
        return self._where(self._seating.eap(node))

    def radsec_place(self, node: str) -> tuple[str, int]:
        """Return address and port of a node's RadSec endpoint."""
        return self._where(self._seating.radsec(node))

    def virtual_place(self, service: str) -> tuple[str, int]:
        """Return address and port of a service that has an address of its own."""
        return self._where(self._seating.virtual(service))

    def _where(self, seat: Seat) -> tuple[str, int]:
        place = self._seating.place(seat)
        return place.address, place.port

    def issued(self, label: str) -> Issued:
        """Return a certificate by its label in the scenario ("label@node" if it is per node)."""
        return self._workshop[label]

    def web_chains(self, node: str, name: str | None = None) -> tuple[ServedChain, ...]:
        """Return what a node's web endpoint is told to serve for a server name."""
        web = self.scenario.node[node].web
        labels = web.chains if name is None else web.by_name.get(name, web.chains)
        return self._served(node, labels, web.staple)

    def eap_chains(self, node: str) -> tuple[ServedChain, ...]:
        """Return what a node's EAP endpoint is told to serve."""
        eap = self.scenario.node[node].eap
        return self._served(node, eap.chains, eap.staple) if eap is not None else ()

    def radsec_chains(self, node: str) -> tuple[ServedChain, ...]:
        """Return what a node's RadSec endpoint is told to serve."""
        radsec = self.scenario.node[node].radsec
        return self._served(node, radsec.chains, None) if radsec is not None else ()

    # ------------------------------------------------------------ imports

    def install(self, node: str, *chains: ChainLabels, endpoint: str) -> None:
        """Have a node's "web" or "eap" endpoint serve these chains from now on, one for each kind
        of key: as after an import and a restart of the service. Connections that are open go on.

        Returns when it is so. Raises what goes wrong.
        """
        for chain in chains:
            self._write(self.scenario.labels_for(node, chain))
        loop, served = self._loop, self._served(node, chains, None)
        assert loop is not None  # noqa: S101  # it is running
        asyncio.run_coroutine_threadsafe(self._install(node, endpoint, served), loop).result(
            _PATIENCE
        )

    async def _install(self, node: str, endpoint: str, chains: tuple[ServedChain, ...]) -> None:
        for web in self._webs[node] if endpoint == "web" else ():
            web.install(replace(web.site, chains=chains, by_name={}, unnamed=(), in_turn=()))
        for radius in self._radii[node] if endpoint == "eap" else ():
            radius.serve(replace(radius.site, chains=chains))

    # ------------------------------------------------------------ certificates

    def _open_offices(self) -> None:
        """Make the CAs whose addresses stand in certificates, where their server answers."""
        labels = self.scenario.authorities()
        if not labels:
            return
        port = self._seating.place(self._seating.authority()).port
        at = f"http://{authority_host(self.scenario)}:{port}"
        self._workshop = Workshop(self.scenario.blueprints(), self.at, at)
        for label in labels:
            said = self.scenario.authority.get(label, AuthoritySettings())
            authority = Authority(
                self._workshop[label],
                self.at,
                serials(self._workshop.chain(said.revoked)),
                self._workshop[said.delegate] if said.delegate is not None else None,
            )
            self._offices[label] = Office(authority, said.faults, said.form)

    def _issue(self) -> None:
        """Make all certificates and write them: roots for the plan, chains for the servers."""
        roots, chains = self.directory / "pki", self.directory / "served"
        for folder in (roots, chains):
            folder.mkdir(parents=True, exist_ok=True)
        for label in sorted(self._trusted()):
            (roots / f"{label}.pem").write_bytes(self._workshop[label].pem)
        for node in self.scenario.nodes:
            settings = self.scenario.node[node]
            used = [chain for _, chain in settings.web.served()]
            if settings.eap is not None:
                used += [chain for _, chain in settings.eap.served()]
            if settings.radsec is not None:
                used += settings.radsec.chains
            for chain in used:
                self._write(self.scenario.labels_for(node, chain))
        if self.scenario.imported:
            bundle = self._workshop.chain(self.scenario.imported)
            self.imported_path.write_bytes(b"".join(issued.pem for issued in bundle))
        for name, profile in self.scenario.profile.items():
            given = self.directory / PROFILE_FOLDER
            given.mkdir(exist_ok=True)
            anchors = self._workshop.chain(profile.anchors)
            (given / name).write_bytes(PROFILES[profile.family](profile.names, anchors))

    def _write(self, labels: ChainLabels) -> None:
        name = "+".join(labels)
        if name not in self._chains:
            issued = self._workshop.chain(labels)
            self._chains[name] = write_chain(self.directory / "served", name, issued)

    def _served(
        self, node: str, chains: Iterable[ChainLabels], staple: State | None
    ) -> tuple[ServedChain, ...]:
        names = ("+".join(self.scenario.labels_for(node, chain)) for chain in chains)
        served = [self._chains[name] for name in names]
        if staple is not None:
            served[0] = replace(served[0], staple=self._staple(node, next(iter(chains)), staple))
        return tuple(served)

    def _staple(self, node: str, chain: ChainLabels, staple: State) -> bytes:
        issuer = self.scenario.certificate[chain[0]].issuer
        leaf = self._workshop[self.scenario.labels_for(node, chain)[0]]
        office = self._offices[issuer or ""]
        return office.authority.response(leaf.certificate.serial_number, staple)

    def _trusted(self) -> set[str]:
        worlds = msgspec.structs.astuple(self.scenario.trust)
        return {label for world in worlds for label in world} - {"public"}

    # ------------------------------------------------------------ servers

    def _servers(self) -> tuple[_Server, ...]:
        scenario, seating = self.scenario, self._seating
        servers: list[_Server] = []
        for name, settings in scenario.nameserver.items():
            udp, tcp = seating.place(seating.nameserver(name)).sockets
            zones = zones_of(scenario, seating, settings, self._workshop)
            servers.append(NameServer(udp, tcp if settings.tcp else None, zones, settings.fault))
        if self._offices:
            (bound,) = seating.place(seating.authority()).sockets
            servers.append(AuthorityServer(bound, self._offices))
        for node in scenario.nodes:
            for seat in seating.webs(node):
                servers += self._server_at(seat, node)
            eap = scenario.node[node].eap
            if eap is not None and eap.path is not None:
                servers += self._server_at(seating.behind(node), node)
                servers.append(self._relay(node, eap.path))
            elif eap is not None:
                servers += self._server_at(seating.eap(node), node)
            if scenario.node[node].radsec is not None:
                servers += self._server_at(seating.radsec(node), node)
        for name in seating.virtual_services():
            service = scenario.service[name]
            nodes = scenario.nodes_of(service)
            if service.balancing is None:
                servers += self._server_at(seating.virtual(name), nodes[0])
            else:
                (bound,) = seating.place(seating.virtual(name)).sockets
                places = [self.eap_place(node) for node in nodes]
                servers.append(Relay(bound, places, balancing=service.balancing))
        return tuple(servers)

    def _relay(self, node: str, path: Way) -> Relay:
        """Return what lies between a node's own address and its EAP server."""
        seating = self._seating
        elsewhere = None
        if path.replies_from_elsewhere:
            (elsewhere,) = seating.place(seating.elsewhere(node)).sockets
        (bound,) = seating.place(seating.eap(node)).sockets
        return Relay(bound, [self._where(seating.behind(node))], path, elsewhere=elsewhere)

    def _server_at(self, seat: Seat, node: str) -> list[_Server]:
        """Return the server of a node for a seat; none for a seat that is to stay closed."""
        (bound,) = self._seating.place(seat).sockets
        web, eap = self.scenario.node[node].web, self.scenario.node[node].eap
        if seat.kind is Kind.WEB:
            by_name = {
                name: self._served(node, chains, web.staple) for name, chains in web.by_name.items()
            }
            known = {self.scenario.node[node].host, *self.scenario.service}
            site = WebSite(
                self.web_chains(node),
                by_name,
                web.tls,
                web.fault,
                names=frozenset(known),
                unnamed=self._served(node, web.unnamed, None),
                in_turn=self._served(node, web.in_turn, None),
                minutes_ahead=web.minutes_ahead,
                strict_transport=web.strict_transport,
                timestamps=timestamp_list(web.timestamps, self.at) if web.timestamps else b"",
            )
            web_server = WebServer(bound, site)
            self._webs.setdefault(node, []).append(web_server)
            return [web_server]
        if seat.kind in (Kind.EAP, Kind.EAP_BEHIND) and eap is not None:
            server = RadiusServer(bound, self._eap_site(node, eap), self.secret, eap.radius)
            self.radius[seat.name] = server
            self._radii.setdefault(node, []).append(server)
            return [server]
        radsec = self.scenario.node[node].radsec
        if seat.kind is Kind.RADSEC and radsec is not None:
            behind = self.radius[node].reply_to if node in self.radius else None
            return [
                RadsecServer(bound, radsec.site(self.radsec_chains(node), self._workshop), behind)
            ]
        return []

    def _eap_site(self, node: str, eap: EapSettings) -> EapSite:
        return EapSite(
            self.eap_chains(node),
            eap.methods,
            eap.fragment_size,
            eap.tls,
            eap.fault,
            heeds_mtu=eap.heeds_mtu,
            proposes=eap.proposes,
            peap_version=eap.peap_version,
            by_method={
                method: self._served(node, chains, None) for method, chains in eap.by_method.items()
            },
            by_visit={
                visit: self._served(node, chains, None) for visit, chains in eap.by_visit.items()
            },
            in_turn=self._served(node, eap.in_turn, None),
            client_authorities=tuple(
                self._workshop[label].certificate for label in eap.client_authorities
            ),
            resumption=frozenset(eap.resumption),
        )

    def _write_secret(self, name: str, octets: bytes) -> None:
        secret = self.directory / name
        secret.touch(mode=0o600)
        secret.chmod(0o600)
        secret.write_bytes(octets)

    def _write_plan(self) -> None:
        self._write_secret(SECRET_FILE, _SECRET.encode() + b"\n")
        peer = self._workshop.chain(self.scenario.radsec_peer)
        if peer:
            chain = b"".join(issued.pem for issued in peer)
            (self.directory / RADSEC_CERTIFICATE).write_bytes(chain)
            self._write_secret(RADSEC_KEY, peer[0].key_pem)
        plan = plan_of(self.scenario, self._seating)
        self.plan_path.write_text(to_toml(plan), encoding="utf-8")
