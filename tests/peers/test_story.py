"""A renewal from its bundle to the memory of it, with nginx and hostapd as two of the three nodes.

There an import is what it is on real nodes: new files, and a restart of the service on its port.
"""

import tomllib
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

from lab.cluster import Cluster
from lab.scenario import Scenario
from lab.toml import to_toml
from tests.peers.hostapd import CURRENT, Radius, hostapd
from tests.peers.pki import keys_of
from tests.peers.servers import LOOPBACK, Site, nginx
from tests.story import EAP, WEB, Renewal, Story, tell


class Independent:
    """nginx and hostapd in the place of one node."""

    def __init__(self, lab: Cluster, node: dict[str, Any], directory: Path) -> None:
        self._lab, self._host, self._directory = lab, node["host"], directory
        self._starts = 0
        self._services = {"web": ExitStack(), "eap": ExitStack()}
        self._ports: dict[str, int] = {}
        self.start("web", WEB.old)
        self.start("eap", EAP.old)
        node["connect"] = dict.fromkeys(node["addresses"], LOOPBACK)
        node["web"]["port"], node["eap"]["port"] = self._ports["web"], self._ports["eap"]

    def start(self, service: str, chain: Sequence[str]) -> None:
        """Start a service with a chain; if it runs, stop it first, and keep its port."""
        self.stop(service)
        self._starts += 1
        folder = self._directory / f"{service}-{self._starts}"
        keys = keys_of([self._lab.issued(label) for label in chain])
        at = self._ports.get(service)
        if service == "web":
            server = nginx(folder, [Site(self._host, (keys,))], at=at)
        else:
            setup = Radius(keys, secret=self._lab.secret.decode("ascii"), tls=CURRENT)
            server = hostapd(folder, setup, at=at)
        self._ports[service] = self._services[service].enter_context(server).port

    def stop(self, *services: str) -> None:
        """Stop services."""
        for service in services or tuple(self._services):
            self._services[service].close()


@pytest.mark.parametrize("renewal", [WEB, EAP], ids=["web", "eap"])
def test_a_renewal_at_nginx_and_hostapd(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, renewal: Renewal
) -> None:
    with (
        Cluster(Scenario.load("healthy-renewal"), directory=tmp_path / "lab") as lab,
        ExitStack() as stack,
    ):
        plan = tomllib.loads(lab.plan_path.read_text("utf-8"))
        others: dict[str, Independent] = {}
        for node in plan["node"][:2]:
            directory = tmp_path / node["name"]
            directory.mkdir()
            others[node["name"]] = Independent(lab, node, directory)
            stack.callback(others[node["name"]].stop)
        path = lab.plan_path.with_name("stood-in.toml")
        path.write_text(to_toml(plan), "utf-8")

        def install(node: str) -> None:
            if node in others:
                others[node].start(renewal.endpoint, renewal.new)
            else:
                lab.install(node, renewal.new, endpoint=renewal.endpoint)

        tell(Story(lab, path, renewal, install), monkeypatch)
