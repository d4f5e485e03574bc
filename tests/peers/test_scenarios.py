"""The lab's certificates on servers that are not the lab's: the same findings.

What is found must be in the certificates, not in the way in which our own servers serve them. The
plan is the lab's, except that each node is reached where nginx, hostapd and radsecproxy stand in
for it.
"""

import tomllib
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

from lab.cluster import Cluster
from lab.scenario import Scenario
from lab.tls import ServedChain
from lab.toml import to_toml
from tests.peers.hostapd import CURRENT, Radius, hostapd
from tests.peers.proxy import Proxy, radsecproxy
from tests.peers.servers import LOOPBACK, Keys, Site, nginx
from tests.running import Result, probe

SCENARIOS = (
    "web-self-signed",
    "web-chain-incomplete",
    "web-expired",
    "web-name-mismatch",
    "web-wrong-purpose",
    "eap-unknown-root",
    "eap-chain-incomplete",
    "eap-expiring",
    "eap-name-unexpected",
    "eap-leaf-differs",
    "healthy-radsec",
    "radsec-chain-incomplete",
    "radsec-expired",
    "radsec-name-mismatch-realm",
    "radsec-wrong-purpose",
)


def keys_of(chain: ServedChain) -> Keys:
    return Keys((chain.chain_file.read_text("ascii"),), chain.key_file.read_text("ascii"))


def stand_in(stack: ExitStack, lab: Cluster, node: dict[str, Any], directory: Path) -> None:
    """Start nginx and hostapd for a node of the plan, and radsecproxy if it has RadSec; have the
    plan reach it there."""
    name = node["name"]
    settings = lab.scenario.node[name]
    sites = [Site(node["host"], tuple(keys_of(chain) for chain in lab.web_chains(name)))]
    for other in settings.web.by_name:
        chains = lab.web_chains(name, other)
        sites.append(Site(other, tuple(keys_of(chain) for chain in chains)))
    web = stack.enter_context(nginx(directory / f"{name}-web", sites))
    first, second = [*(keys_of(chain) for chain in lab.eap_chains(name)), None][:2]
    setup = Radius(first, second, secret=lab.secret.decode("ascii"), tls=CURRENT)
    radius = stack.enter_context(hostapd(directory / f"{name}-eap", setup))
    node["connect"] = dict.fromkeys(node["addresses"], LOOPBACK)
    node["web"]["port"] = web.port
    node["eap"]["port"] = radius.port
    for chain in lab.radsec_chains(name):
        clients = lab.issued("roaming-root").pem.decode("ascii")
        proxy = Proxy(keys_of(chain), clients, radius.port, secret=setup.secret)
        radsec = stack.enter_context(radsecproxy(directory / f"{name}-radsec", proxy))
        node["radsec"]["port"] = radsec.port


def chains(result: Result) -> set[tuple[str, str | None, str | None, tuple[str, ...]]]:
    """Return which chain was seen where: (node, name, method, fingerprints)."""
    return {
        (node["name"], entry["name"], entry["method"], tuple(entry["chain"]))
        for node in result.document["nodes"]
        for entry in node["endpoints"]
    }


@pytest.mark.parametrize("name", SCENARIOS)
def test_other_servers_with_the_same_certificates_give_the_same_findings(
    tmp_path: Path, name: str
) -> None:
    with Cluster(Scenario.load(name), directory=tmp_path / "lab") as lab, ExitStack() as stack:
        by_our_servers = probe(lab.plan_path)
        plan = tomllib.loads(lab.plan_path.read_text("utf-8"))
        for node in plan["node"]:
            stand_in(stack, lab, node, tmp_path)
        path = lab.plan_path.with_name("stood-in.toml")
        path.write_text(to_toml(plan), "utf-8")
        by_others = probe(path)
    rules = {rule for rule, *_ in by_others.findings()}
    assert any(name.startswith(rule) for rule in rules) or name.startswith("healthy-")
    assert by_others.findings() == by_our_servers.findings()
    assert chains(by_others) == chains(by_our_servers)
    assert by_others.status == by_our_servers.status
