"""A right plan becomes what it says, with what it leaves out filled in."""

import hashlib
from collections.abc import Callable
from datetime import date
from pathlib import Path

import certifi
import pytest
from cryptography import x509
from cryptography.hazmat.primitives import serialization

from probe.limits import Limits
from probe.observation.model import Endpoint, Method
from probe.plan.model import (
    FAMILIES,
    Acceptance,
    Audience,
    Client,
    Eap,
    Fetch,
    Guest,
    Login,
    Plan,
    Radsec,
    Resolver,
    SecretRef,
    Service,
    Setup,
    Site,
    Visit,
    Web,
    Windows,
)
from probe.plan.read import load_plan
from probe.plan.rule_ids import RULE_IDS
from tests.plan.profiles import apple

Written = Callable[[str], Path]

EXAMPLE = """
name = "Northpier Ferries network access"
clients = [
    "chromium-web", "captive-web", "windows-eap", { family = "android-eap", setup = "by-hand" }
]
vantage = "head office"

[trust]
public = ["certifi"]
web    = ["public"]
staff  = ["public", "pki/northpier-root.pem"]
eap    = ["pki/northpier-root.pem"]
node   = ["pki/node-roots.pem"]
client_issuers = ["pki/device-ca.pem"]

[dns]
resolvers = ["system", { at = "10.0.9.53", view = "guest" }]

[web]
port = 443
used_as_client = false

[eap]
port = 1812
secret = { environment = "NORTHPIER_RADIUS" }
expected_names = ["radius.northpier.example"]
methods = ["PEAP", "EAP-TLS"]
identity = "cert-probe@northpier.example"
nas_identifier = "cert-probe"
calling_station = "02-00-00-CE-47-01"
medium = "wifi"
ssid = "Northpier"
framed_mtu = 1400
suite_192 = false
attributes = {}

[[eap.visit]]
name = "wired dock"
medium = "wired"

[radsec]
[login]
[guest]
[fetch]
[limits]
[judge]
expiring_days = 30
anchor_days = 365

[[service]]
name = "guest.northpier.example"
endpoint = "web"
audience = "guests"
nodes = ["quay1", "quay2"]
port = 443
addresses = ["192.0.2.80"]
answers = "all"

[[node]]
name = "quay1"
host = "quay1.northpier.example"
addresses = ["192.0.2.11"]
web.addresses = ["192.0.2.11"]
connect = { "192.0.2.11" = "198.51.100.7" }
eap.port = 1645
group = "harbour"

[[node]]
name = "quay2"
host = "quay2.northpier.example"

[[node]]
name = "quay4"
host = "quay4.northpier.example"

[[group]]
name = "harbour"

[[site]]
name = "ferry terminal"
eap_order = ["quay2", "quay1"]

[[profile]]
file = "staff.mobileconfig"
family = "apple-eap"

[[accept]]
rule = "web-old-tls"
nodes = ["quay4"]
reason = "old ticket printers, replaced in spring"
until = 2027-04-01
"""
"""The documented example, with the nodes that it names but does not show."""

NODE = '[[node]]\nname = "quay1"\nhost = "quay1.northpier.example"\n'


@pytest.fixture
def example(folder: Path, certificates: tuple[x509.Certificate, ...]) -> Plan:
    root, other = (entry.public_bytes(serialization.Encoding.PEM) for entry in certificates)
    (folder / "pki/northpier-root.pem").write_bytes(root)
    (folder / "pki/node-roots.pem").write_bytes(root + other)
    (folder / "pki/device-ca.pem").write_bytes(other)
    root_der = certificates[0].public_bytes(serialization.Encoding.DER)
    (folder / "staff.mobileconfig").write_bytes(apple(root_der))
    (folder / "plan.toml").write_text(EXAMPLE, "utf-8")
    return load_plan(folder / "plan.toml")


def test_the_example_says_what_it_says(example: Plan, folder: Path) -> None:
    assert example.name == "Northpier Ferries network access"
    assert example.vantage == "head office"
    assert example.clients == (
        Client("chromium-web", None),
        Client("captive-web", None),
        Client("windows-eap", Setup.PROFILE),
        Client("android-eap", Setup.BY_HAND),
    )
    assert example.resolvers == (Resolver("system"), Resolver("10.0.9.53", "guest"))
    assert example.eap == Eap(
        port=1812,
        secret=SecretRef(environment="NORTHPIER_RADIUS"),
        expected_names=("radius.northpier.example",),
        methods=(Method.PEAP, Method.EAP_TLS),
        identity="cert-probe@northpier.example",
        ssid="Northpier",
        visits=(Visit("wired dock", medium="wired"),),
    )
    assert example.radsec == Radsec()
    assert example.login is None
    assert example.guest == Guest()
    assert example.fetch == Fetch()
    assert example.windows == Windows(30, 365)
    assert example.services == (
        Service(
            "guest.northpier.example",
            Endpoint.WEB,
            Audience.GUESTS,
            ("quay1", "quay2"),
            443,
            ("192.0.2.80",),
        ),
    )
    assert example.sites == (Site("ferry terminal", ("quay2", "quay1")),)
    (profile,) = example.profiles
    assert (profile.file, profile.family) == (folder / "staff.mobileconfig", "apple-eap")
    assert [expects.ssids for expects in profile.expects] == [("Northpier",)]
    assert example.accepted == (
        Acceptance(
            "web-old-tls",
            ("quay4",),
            "old ticket printers, replaced in spring",
            date(2027, 4, 1),
        ),
    )


def test_the_examples_nodes_have_their_own_settings(example: Plan) -> None:
    quay1, quay2, _ = example.nodes
    assert quay1.addresses == ("192.0.2.11",)
    assert quay1.web == Web(addresses=("192.0.2.11",))
    assert quay1.reached_at("192.0.2.11") == "198.51.100.7"
    assert quay1.group == "harbour"
    assert quay1.host_audience is Audience.STAFF
    assert quay1.eap is not None
    assert quay1.eap.port == 1645
    assert quay2.addresses is None
    assert quay2.eap == example.eap


@pytest.mark.filterwarnings("ignore:Parsed a serial number")  # of a public root
def test_the_examples_roots_are_loaded(
    example: Plan, certificates: tuple[x509.Certificate, ...]
) -> None:
    root, other = (entry.public_bytes(serialization.Encoding.DER) for entry in certificates)
    trust = example.trust
    assert [roots.name for roots in trust.public] == ["certifi"]
    assert trust.web == trust.public
    assert [roots.name for roots in trust.staff] == ["certifi", "pki/northpier-root.pem"]
    assert trust.eap[0].certificates == (root,)
    assert trust.node[0].certificates == (root, other)
    assert trust.client_issuers[0].certificates == (other,)
    with open(certifi.where(), "rb") as file:
        text = file.read()
    assert trust.public[0].version == certifi.__version__
    assert len(trust.public[0].certificates) == text.count(b"BEGIN CERTIFICATE")
    der = {
        entry.public_bytes(serialization.Encoding.DER)
        for entry in x509.load_pem_x509_certificates(text)
    }
    assert set(trust.public[0].certificates) == der


def test_a_plan_knows_its_file(example: Plan, folder: Path) -> None:
    assert example.path == folder / "plan.toml"
    assert example.digest == hashlib.sha256(EXAMPLE.encode()).hexdigest()


def test_the_least_plan_has_the_documented_defaults(written: Written) -> None:
    plan = load_plan(written(f'name = "Northpier"\n{NODE}'))
    assert [client.family for client in plan.clients] == list(FAMILIES)
    assert {client.setup for client in plan.clients if client.family.endswith("-eap")} == {
        Setup.PROFILE
    }
    assert {client.setup for client in plan.clients if not client.family.endswith("-eap")} == {None}
    trust = plan.trust
    assert [roots.name for roots in trust.public] == ["certifi"]
    assert trust.web == trust.staff == trust.node == trust.public
    assert trust.eap == ()
    assert plan.eap is None
    (node,) = plan.nodes
    assert (node.eap, node.radsec, node.addresses) == (None, None, None)
    assert node.web == Web(port=443, used_as_client=False)
    assert plan.windows == Windows(None, 365)


def test_staff_defaults_to_web_and_node_to_web_and_eap(written: Written) -> None:
    plan = load_plan(
        written(
            'name = "Northpier"\n[trust]\nweb = ["pki/root.pem"]\neap = ["pki/both.pem"]\n' + NODE
        )
    )
    assert [roots.name for roots in plan.trust.staff] == ["pki/root.pem"]
    assert [roots.name for roots in plan.trust.node] == ["pki/root.pem", "pki/both.pem"]
    assert [roots.name for roots in plan.trust.public] == ["certifi"]


def test_public_stands_for_what_the_plan_makes_of_it(written: Written) -> None:
    """A lab puts its own root there; the order of the keys does not matter."""
    plan = load_plan(
        written(
            'name = "Northpier"\n[trust]\neap = ["public"]\npublic = ["pki/root.pem"]\n[eap]\n'
            + NODE
        )
    )
    assert [roots.name for roots in plan.trust.web] == ["pki/root.pem"]
    assert [roots.name for roots in plan.trust.eap] == ["pki/root.pem"]


def test_a_file_may_hold_several_certificates_with_text_between(written: Written) -> None:
    plan = load_plan(written('name = "Northpier"\n[trust]\nweb = ["pki/both.pem"]\n' + NODE))
    assert len(plan.trust.web[0].certificates) == 2


def test_settings_go_from_plan_to_group_to_node(written: Written) -> None:
    plan = load_plan(
        written(
            """
name = "Northpier"
[trust]
eap = ["public"]
[web]
port = 8443
[eap]
port = 1645
secret = { environment = "FIRST" }
identity = "nobody@northpier.example"
[[group]]
name = "harbour"
site = "harbour office"
web.port = 9443
eap.secret = { file = "harbour.secret" }
[[node]]
name = "quay1"
host = "quay1.northpier.example"
[[node]]
name = "quay2"
host = "quay2.northpier.example"
group = "harbour"
[[node]]
name = "quay3"
host = "quay3.northpier.example"
group = "harbour"
site = "quay three"
web.port = 443
eap.port = 1812
eap.secret = { ask = true }
"""
        )
    )
    one, two, three = plan.nodes
    assert [node.web.port for node in plan.nodes] == [8443, 9443, 443]
    assert one.eap is not None
    assert two.eap is not None
    assert three.eap is not None
    assert one.eap.secret == SecretRef(environment="FIRST")
    assert plan.path is not None
    assert two.eap.secret == SecretRef(file=plan.path.parent / "harbour.secret")
    assert three.eap.secret == SecretRef(ask=True)
    assert [node.eap.port for node in plan.nodes if node.eap] == [1645, 1645, 1812]
    assert {node.eap.identity for node in plan.nodes if node.eap} == {"nobody@northpier.example"}
    assert [node.site for node in plan.nodes] == [None, "harbour office", "quay three"]


def test_names_and_addresses_come_in_one_form(written: Written) -> None:
    """A-labels as RFC 5891 (section 4.4) makes them; addresses as RFC 5952, 4 writes them."""
    plan = load_plan(
        written(
            """
name = "Northpier"
[dns]
resolvers = ["192.0.2.53:53", "192.0.2.53:5353", "[2001:DB8:0::53]:53", "[2001:db8::53]:5353"]
[[node]]
name = "quay1"
host = "Bücher.Example."
addresses = ["2001:DB8:0:0:0:0:0:1"]
"""
        )
    )
    (node,) = plan.nodes
    assert node.host == "xn--bcher-kva.example"
    assert node.addresses == ("2001:db8::1",)
    assert [resolver.at for resolver in plan.resolvers] == [
        "192.0.2.53",
        "192.0.2.53:5353",
        "2001:db8::53",
        "[2001:db8::53]:5353",
    ]


def test_a_supplicants_expected_name_may_hold_a_wildcard_label(written: Written) -> None:
    plan = load_plan(
        written(
            'name = "Northpier"\n[trust]\neap = ["public"]\n[eap]\n'
            'expected_names = ["*.Northpier.example", "wpa.*.northpier.example"]\n' + NODE
        )
    )
    assert plan.eap is not None
    assert plan.eap.expected_names == ("*.northpier.example", "wpa.*.northpier.example")


def test_further_attributes_are_named_as_the_dictionary_does(written: Written) -> None:
    plan = load_plan(
        written(
            'name = "Northpier"\n[trust]\neap = ["public"]\n[eap]\n'
            'attributes = { nas-port-id = "dock 7", Service-Type = "Call-Check", NAS-Port = 7 }\n'
            + NODE
        )
    )
    assert plan.eap is not None
    assert plan.eap.attributes == (
        ("NAS-Port-Id", "dock 7"),
        ("Service-Type", "Call-Check"),
        ("NAS-Port", 7),
    )


def test_a_visit_takes_over_the_plans_context(written: Written) -> None:
    plan = load_plan(
        written(
            'name = "Northpier"\n[trust]\neap = ["public"]\n[eap]\nssid = "Northpier"\n'
            '[[eap.visit]]\nname = "crew"\nidentity = "nobody@crew.example"\n'
            '[[eap.visit]]\nname = "dock"\nmedium = "wired"\n' + NODE
        )
    )
    assert plan.eap is not None
    assert plan.eap.visits == (
        Visit("crew", "wifi", "Northpier", "nobody@crew.example"),
        Visit("dock", "wired"),
    )


def test_addresses_may_be_left_to_the_resolver_in_two_ways(written: Written) -> None:
    plan = load_plan(written(f'name = "Northpier"\n{NODE}addresses = "dns"\n'))
    assert plan.nodes[0].addresses is None


def test_a_port_forward_may_put_two_nodes_at_one_address(written: Written) -> None:
    plan = load_plan(
        written(
            'name = "Northpier"\n'
            + NODE
            + 'addresses = ["192.0.2.1"]\nweb.port = 8441\n'
            + NODE.replace("quay1", "quay2")
            + 'addresses = ["192.0.2.1"]\nweb.port = 8442\n'
        )
    )
    assert [node.web.port for node in plan.nodes] == [8441, 8442]


def test_limits_are_overridden_by_name(written: Written) -> None:
    plan = load_plan(
        written(f'name = "Northpier"\n[limits]\ndns_wait = 0.5\nradius_tries = 2\n{NODE}')
    )
    assert plan.limits == (("dns_wait", 0.5), ("radius_tries", 2))
    assert {name for name, _ in plan.limits} <= set(Limits.__match_args__)


def test_a_login_by_account_and_one_by_certificate(written: Written, folder: Path) -> None:
    start = f'name = "Northpier"\n[trust]\neap = ["public"]\n[eap]\n{NODE}\n[login]\n'
    plan = load_plan(
        written(
            start + 'method = "EAP-TTLS"\ninner = "PAP"\naccount = "t"\npassword = {ask = true}'
        )
    )
    assert plan.login == Login(
        Method.EAP_TTLS, inner="PAP", account="t", password=SecretRef(ask=True)
    )
    plan = load_plan(written(start + 'certificate = "pki/root.pem"\nkey = {file = "pki/key.pem"}'))
    assert plan.login == Login(
        Method.EAP_TLS,
        certificate=folder / "pki/root.pem",
        key=SecretRef(file=folder / "pki/key.pem"),
    )


def test_a_service_says_least_with_its_name(written: Written) -> None:
    plan = load_plan(
        written(f'name = "Northpier"\n{NODE}[[service]]\nname = "guest.northpier.example"\n')
    )
    assert plan.services == (
        Service("guest.northpier.example", Endpoint.WEB, Audience.GUESTS, ("quay1",)),
    )


@pytest.mark.parametrize("rule", RULE_IDS)
def test_every_rule_of_the_catalogue_can_be_accepted(written: Written, rule: str) -> None:
    plan = load_plan(
        written(
            f'name = "Northpier"\n{NODE}[[accept]]\nrule = "{rule}"\nreason = "known"\n'
            "until = 2027-04-01\n"
        )
    )
    assert plan.accepted == (Acceptance(rule, (), "known", date(2027, 4, 1)),)


def test_a_plan_of_a_thousand_nodes_is_read(written: Written) -> None:
    nodes = "".join(
        f'[[node]]\nname = "quay{n}"\nhost = "quay{n}.northpier.example"\n'
        f'addresses = ["10.0.{n // 250}.{n % 250 + 1}"]\n'
        for n in range(1000)
    )
    plan = load_plan(written(f'name = "Northpier"\n{nodes}'))
    assert len(plan.nodes) == 1000
