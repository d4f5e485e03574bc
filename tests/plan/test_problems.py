"""Every kind of mistake in a plan: its place, what is said, and that nothing else is said."""

from collections.abc import Callable
from pathlib import Path

import pytest

from probe.plan.problems import PlanError, Problem
from probe.plan.read import load_plan, problems_in

Written = Callable[[str], Path]

NODES = """
[[node]]
name = "quay1"
host = "quay1.northpier.example"
addresses = ["192.0.2.11"]
[[node]]
name = "quay2"
host = "quay2.northpier.example"
addresses = ["192.0.2.12"]
"""
EAP = '[trust]\neap = ["public"]\n[eap]\n'


def problems(path: Path) -> tuple[Problem, ...]:
    with pytest.raises(PlanError) as caught:
        load_plan(path)
    return caught.value.problems


def in_top(line: str) -> str:
    return f'name = "Northpier"\n{line}\n{NODES}'


def in_eap(line: str) -> str:
    return f'name = "Northpier"\n{EAP}{line}\n{NODES}'


def in_node(line: str) -> str:
    """The line in the second node of a plan with EAP."""
    return f'name = "Northpier"\n{EAP}{NODES}{line}\n'


def after(text: str) -> str:
    """Tables after the nodes of a plan with EAP."""
    return f'name = "Northpier"\n{EAP}{NODES}\n{text}\n'


SINGLE = [
    # top
    (f"{NODES}", "name", "is missing"),
    ('name = "Northpier"', "node", "is missing"),
    ('name = "Northpier"\nnode = []', "node", "is missing"),
    (in_top("").replace('"Northpier"', '""'), "name", "is empty"),
    (in_top("").replace('"Northpier"', "3"), "name", "is a whole number"),
    (in_top("").replace('"Northpier"', r'"North\u001bpier"'), "name", "control characters"),
    (in_top('vantge = "x"'), "vantge", "did you mean vantage?"),
    (in_top('"two words" = 1'), '"two words"', "is no key"),
    (in_top("vantage = true"), "vantage", "is true or false"),
    ('name = "Northpier"\nnode = 3', "node", "is a whole number"),
    ('name = "Northpier"\nnode = ["quay1"]', "node[1]", "is a text"),
    # clients
    (in_top("clients = []"), "clients", "is empty"),
    (in_top('clients = "chromium-web"'), "clients", "is a text"),
    (in_top('clients = ["chromium-wed"]'), "clients[1]", "did you mean chromium-web?"),
    (in_top('clients = ["apple-web", "apple-web"]'), "clients[2]", "repeats entry 1"),
    (
        in_top('clients = ["apple-eap", {family = "apple-eap", setup = "profile"}]'),
        "clients[2]",
        "repeats entry 1",
    ),
    (in_top('clients = [{setup = "by-hand"}]'), "clients[1].family", "is missing"),
    (
        in_top('clients = [{family = "apple-web", setup = "by-hand"}]'),
        "clients[1]",
        "apple-web has no setup",
    ),
    (
        in_top('clients = [{family = "apple-eap", setup = "by hand"}]'),
        "clients[1].setup",
        "did you mean by-hand?",
    ),
    # trust
    (in_top('[trust]\nweb = "public"'), "trust.web", "is a text"),
    (
        in_top('[trust]\nweb = ["pki/no.pem"]'),
        "trust.web[1]",
        "pki/no.pem: the file does not exist",
    ),
    (in_top('[trust]\nweb = ["pki"]'), "trust.web[1]", "pki: the file is no regular file"),
    (in_top('[trust]\nweb = ["pki/empty.pem"]'), "trust.web[1]", "is empty"),
    (in_top('[trust]\nweb = ["pki/text.pem"]'), "trust.web[1]", "holds no PEM certificate"),
    (in_top('[trust]\nweb = ["pki/root.der"]'), "trust.web[1]", "is DER, not PEM"),
    (in_top('[trust]\nweb = ["pki/cut.pem"]'), "trust.web[1]", "is cut off"),
    (in_top('[trust]\nweb = ["pki/damaged.pem"]'), "trust.web[1]", "damaged certificate, number 1"),
    (in_top('[trust]\nweb = ["pki/other.pem"]'), "trust.web[1]", "cannot be read, number 1"),
    (in_top('[trust]\nweb = ["pki/version.pem"]'), "trust.web[1]", "cannot be read, number 1"),
    (in_top('[trust]\nweb = ["pki/key.pem"]'), "trust.web[1]", "a private key and no certificate"),
    (in_top('[trust]\npublic = ["public"]'), "trust.public[1]", "cannot hold itself"),
    (in_top('[trust]\npublic = ["pki/no.pem"]'), "trust.public[1]", "does not exist"),
    (in_top("[trust]\nroots = []"), "trust.roots", "is no key"),
    (in_top("[eap]"), "trust.eap", "is missing, and EAP is in the plan"),
    (in_top("[eap]\n[trust]\nweb = []"), "trust.eap", "is missing, and EAP is in the plan"),
    (in_top("[eap]\n[trust]\neap = []"), "trust.eap", "is empty, and EAP is in the plan"),
    # dns
    (in_top("[dns]\nresolvers = []"), "dns.resolvers", "is empty"),
    (in_top('[dns]\nresolvers = ["10.0.9.256"]'), "dns.resolvers[1]", "is no IP address"),
    (in_top('[dns]\nresolvers = ["192.0.2.1:0"]'), "dns.resolvers[1]", "from 1 to 65535"),
    (in_top('[dns]\nresolvers = ["ns.northpier.example"]'), "dns.resolvers[1]", "no IP address"),
    (in_top('[dns]\nresolvers = [{view = "guest"}]'), "dns.resolvers[1].at", "is missing"),
    (in_top('[dns]\nresolvers = ["system", "system"]'), "dns.resolvers[2]", "repeats entry 1"),
    # web
    (in_top("web = 443"), "web", "is a whole number"),
    (in_top("web.port = 0"), "web.port", "0 is out of range"),
    (in_top("web.port = 65536"), "web.port", "65536 is out of range"),
    (in_top("web.port = true"), "web.port", "is true or false"),
    (in_top('web.port = "443"'), "web.port", "is a text"),
    (in_top("web.port = 443.0"), "web.port", "is a number"),
    (in_top('web.addresses = ["192.0.2.1"]'), "web.addresses", "is no key"),
    # eap
    (in_eap('secret = "berth-7"'), "eap.secret", "a secret itself does not stand in a plan"),
    (in_eap("secret = {}"), "eap.secret", "does not say in one way"),
    (in_eap("secret = { ask = false }"), "eap.secret", "does not say in one way"),
    (in_eap('secret = { ask = true, file = "x" }'), "eap.secret", "does not say in one way"),
    (in_eap('secret = { value = "berth-7" }'), "eap.secret.value", "is no key"),
    (in_eap('secret = { environment = "berth-7!" }'), "eap.secret.environment", "is no name"),
    (in_eap("secret = 7"), "eap.secret", "is a whole number"),
    (in_eap('expected_names = ["192.0.2.1"]'), "eap.expected_names[1]", "is an address"),
    (in_eap('expected_names = ["a b"]'), "eap.expected_names[1]", "no host name has"),
    (in_eap("methods = []"), "eap.methods", "is empty"),
    (in_eap('methods = ["PEAP", "EAP-TSL"]'), "eap.methods[2]", "did you mean EAP-TLS?"),
    (in_eap('identity = ""'), "eap.identity", "is empty"),
    (in_eap(f'identity = "{"x" * 254}"'), "eap.identity", "longer than 253 octets"),
    (in_eap('nas_address = "quay1"'), "eap.nas_address", "is no IP address"),
    (in_eap('nas_address = "192.0.2.12"'), "eap.nas_address", "is quay2's"),
    (in_eap('calling_station = "02-00-00-CE-47"'), "eap.calling_station", "no hardware address"),
    (in_eap('calling_station = "00-00-5E-00-53-01"'), "eap.calling_station", "real device's"),
    (in_eap('calling_station = "03-00-00-CE-47-01"'), "eap.calling_station", "real device's"),
    (in_eap('medium = "wi-fi"'), "eap.medium", "did you mean wifi?"),
    (in_eap(f'ssid = "{"x" * 33}"'), "eap.ssid", "longer than 32 octets"),
    (in_eap('medium = "wired"\nssid = "Northpier"'), "eap.ssid", "a wire has no SSID"),
    (in_eap("framed_mtu = 63"), "eap.framed_mtu", "out of range"),
    (in_eap("suite_192 = 1"), "eap.suite_192", "is a whole number"),
    (in_eap("attributes = 3"), "eap.attributes", "is a whole number"),
    (in_eap('attributes.User-Password = "berth-7"'), "eap.attributes.User-Password", "never sent"),
    (in_eap('attributes.user-password = "berth-7"'), "eap.attributes.user-password", "never sent"),
    (in_eap('attributes.CHAP-Password = "berth-7"'), "eap.attributes.CHAP-Password", "never sent"),
    (in_eap('attributes.State = "x"'), "eap.attributes.State", "belongs to the conversation"),
    (in_eap('attributes.message-authenticator = "x"'), None, "belongs to the conversation"),
    (in_eap('attributes.EAP-Message = "x"'), None, "belongs to the conversation"),
    (in_eap('attributes.User-Name = "x"'), None, "belongs to the conversation"),
    (in_eap('attributes.Proxy-State = "x"'), None, "belongs to the conversation"),
    (in_eap('attributes.NAS-Identifier = "x"'), None, "has a key of its own: nas_identifier"),
    (in_eap('attributes.NAS-Prot-Id = "x"'), None, "did you mean NAS-Port-Id?"),
    (in_eap('attributes.Service-Type = "Frame"'), None, "does not fit"),
    (in_eap('attributes.NAS-Port = "eth0"'), None, "does not fit"),
    (in_eap("attributes.NAS-Port = 4294967296"), None, "does not fit"),
    (in_eap("attributes.NAS-Port = true"), None, "does not fit"),
    (in_eap('attributes.Framed-IP-Address = "::1"'), None, "does not fit"),
    (in_eap('attributes.Connect-Info = "x"\nattributes.connect-info = "y"'), None, "there twice"),
    (in_eap('[[eap.visit]]\nmedium = "wired"'), "eap.visit[1].name", "is missing"),
    (
        in_eap('[[eap.visit]]\nname = "dock"\n[[eap.visit]]\nname = "dock"'),
        "eap.visit[2].name",
        "dock repeats eap.visit[1].name",
    ),
    (
        in_eap('[[eap.visit]]\nname = "dock"\nmedium = "wired"\nssid = "x"'),
        "eap.visit[1].ssid",
        "a wire has no SSID",
    ),
    # radsec and login
    (in_top('[radsec]\nroots = ["pki/no.pem"]'), "radsec.roots[1]", "does not exist"),
    (in_top('[radsec]\ncertificate = "pki/key.pem"'), "radsec.certificate", "a private key and no"),
    (in_top('[radsec]\nkey = "pki/key.pem"'), "radsec.key", "a secret itself"),
    (in_top("[radsec]\nkey = { ask = true }"), "radsec", "only one of certificate and key"),
    (in_top('[radsec]\ncertificate = "pki/root.pem"'), "radsec", "only one of certificate and key"),
    (
        in_top('[login]\nmethod = "PEAP"\naccount = "x"\npassword = { ask = true }'),
        "login",
        "EAP is not in the plan",
    ),
    (after('[login]\nmethod = "PEAP"\naccount = "x"'), "login.password", "is missing"),
    (
        after('[login]\nmethod = "PEAP"\naccount = "x"\npassword = "berth-7"'),
        "login.password",
        "a secret itself",
    ),
    (after('[login]\naccount = "x"\npassword = { ask = true }'), "login.method", "is missing"),
    (
        after('[login]\nmethod = "EAP-TLS"\naccount = "x"\npassword = { ask = true }'),
        "login.method",
        "with a certificate",
    ),
    (after('[login]\ncertificate = "pki/root.pem"'), "login.key", "is missing"),
    (
        after('[login]\naccount = "x"\ncertificate = "pki/root.pem"\nkey = { file = "x" }'),
        "login.account",
        "does not go with a certificate",
    ),
    (
        after('[login]\nmethod = "PEAP"\ninner = "PAP"\naccount = "x"\npassword = { ask = true }'),
        "login.inner",
        "EAP-TTLS only",
    ),
    (
        after(
            '[login]\nmethod = "PEAP"\naccount = "cert-probe@example.invalid"\n'
            "password = { ask = true }"
        ).replace("[eap]", '[eap]\nidentity = "cert-probe@example.invalid"'),
        "eap.identity",
        "is the account of [login]",
    ),
    # guest, fetch, limits, judge
    (
        in_top('[guest]\ncanary = "quay1.northpier.example"'),
        "guest.canary",
        "is a name of the plan",
    ),
    (in_top('[guest]\ncanary = "harbour.example:0"'), "guest.canary", "a number from 1 to 65535"),
    (in_top('[guest]\ncanary = "harbour example"'), "guest.canary", "cannot be used"),
    (in_top('[guest]\nreaches = "x"'), "guest.reaches", "is a text"),
    (in_top('[fetch]\nallow = ["127.0.0.1/8"]'), "fetch.allow[1]", "bits outside"),
    (in_top('[fetch]\noff = true\nallow = ["127.0.0.0/8"]'), "fetch.allow", "contradicts off"),
    (in_top("[limits]\ndns_wiat = 1"), "limits.dns_wiat", "did you mean dns_wait?"),
    (in_top("[limits]\ndns_wait = 0"), "limits.dns_wait", "0 is out of range"),
    (in_top("[limits]\ndns_wait = inf"), "limits.dns_wait", "inf is out of range"),
    (in_top("[limits]\ndns_wait = nan"), "limits.dns_wait", "nan is out of range"),
    (in_top("[limits]\ndns_tries = 1.5"), "limits.dns_tries", "is a number"),
    (
        in_top("[limits]\nconversations_per_server = 21"),
        "limits.conversations_per_server",
        "21 is out of range",
    ),
    (in_top(f"[limits]\ndns_wait = {'9' * 400}"), "limits.dns_wait", "out of range"),
    (in_top("[judge]\nexpiring_days = -1"), "judge.expiring_days", "-1 is out of range"),
    # service
    (after("[[service]]\nport = 443"), "service[1].name", "is missing"),
    (after('[[service]]\nname = "192.0.2.1"'), "service[1].name", "is an address"),
    (
        after('[[service]]\nname = "guest.northpier.example"\nendpoint = "dns"'),
        "service[1].endpoint",
        "is no endpoint of a service",
    ),
    (
        after('[[service]]\nname = "guest.northpier.example"\nnodes = ["quay1", "quay3"]'),
        "service[1].nodes[2]",
        "quay3 is no node of the plan",
    ),
    (after('[[service]]\nname = "g.northpier.example"\nnodes = []'), "service[1].nodes", "empty"),
    (
        after('[[service]]\nname = "g.northpier.example"\naudience = "visitors"'),
        "service[1].audience",
        "is no audience",
    ),
    (
        after('[[service]]\nname = "g.northpier.example"\nanswers = "any"'),
        "service[1].answers",
        "did you mean any-of?",
    ),
    (
        after(
            '[[service]]\nname = "g.northpier.example"\n[[service]]\nname = "G.northpier.example."'
        ),
        "service[2].name",
        "repeats service[1].name",
    ),
    (
        after('[[service]]\nname = "radius.northpier.example"\nendpoint = "eap"'),
        "service[1].addresses",
        "is missing",
    ),
    (
        in_top("")
        + '[[service]]\nname = "r.northpier.example"\nendpoint = "eap"\naddresses = ["192.0.2.9"]',
        "service[1].endpoint",
        "EAP is not in the plan",
    ),
    # node
    (in_node('hots = "x"'), "node[2].hots", "did you mean host?"),
    (in_node("eap.port = 99999"), "node[2].eap.port", "99999 is out of range"),
    (in_node('eap.secret = "berth-7"'), "node[2].eap.secret", "a secret itself"),
    (in_node('group = "harbour"'), "node[2].group", "harbour is no group"),
    (in_node('host_audience = "all"'), "node[2].host_audience", "is no audience"),
    (in_node('connect = { "192.0.2.77" = "127.0.0.1" }'), "node[2].connect", "is no address of"),
    (in_node('connect = { "192.0.2.12" = "x" }'), 'node[2].connect."192.0.2.12"', "no IP address"),
    (in_node('connect = "127.0.0.1"'), "node[2].connect", "is a text"),
    (in_node('web.addresses = "dns"'), "node[2].web.addresses", "is a text"),
    (in_node('web.addresses = ["192.0.2.11"]'), "node[2].addresses", "is quay1's already"),
    (in_node("").replace("192.0.2.12", "fe80::1%eth0"), "node[2].addresses[1]", "a zone"),
    (in_node("").replace('["192.0.2.12"]', "[]"), "node[2].addresses", "is empty"),
    (in_node("").replace('["192.0.2.12"]', '"system"'), "node[2].addresses", "is a text"),
    (in_node("").replace('"192.0.2.12"', '"192.0.2.12", "192.0.2.12"'), None, "repeats entry 1"),
    (in_node("").replace('"quay2"', '"quay1"'), "node[2].name", "quay1 repeats node[1].name"),
    (in_node("").replace('"quay2"', '"quay/2"'), "node[2].name", "is no name"),
    (in_node("").replace("quay2.n", "quay1.n"), "node[2].host", "repeats node[1].host"),
    (in_node("").replace("quay2.n", "-quay2.n"), "node[2].host", "a hyphen"),
    (in_node("").replace("quay2.n", "quay2..n"), "node[2].host", "empty label"),
    (in_node("").replace("quay2.n", "x" * 64 + ".n"), "node[2].host", "longer than 63"),
    (in_node("").replace("quay2.n", "x." * 130 + "n"), "node[2].host", "longer than 253"),
    (in_node("").replace("quay2.northpier.example", "quay2.7"), "node[2].host", "is a number"),
    (in_node("").replace("quay2.northpier.example", "192.0.2.12"), "node[2].host", "an address"),
    (in_node("").replace("quay2.n", "quay\\u2603.n"), "node[2].host", "internationalised"),
    (in_top("").replace('"quay2"', '"quay2"\neap.port = 1645'), "node[2].eap", "no table [eap]"),
    (in_top("").replace('"quay2"', '"quay2"\nradsec.port = 1'), "node[2].radsec", "table [radsec]"),
    # group, site, profile, accept
    (after('[[group]]\nname = "harbour"\nweb.port = "x"'), "group[1].web.port", "is a text"),
    (after('[[group]]\nname = "a"\n[[group]]\nname = "a"'), "group[2].name", "repeats group[1]"),
    (after('[[group]]\nname = "a"\naddresses = []'), "group[1].addresses", "is no key"),
    (after('[[site]]\nname = "pier"'), "site[1].eap_order", "is missing"),
    (after('[[site]]\nname = "pier"\neap_order = ["quay9"]'), "site[1].eap_order[1]", "no node"),
    (after('[[profile]]\nfile = "x"\nfamily = "apple-eap"'), "profile[1].file", "does not exist"),
    (
        after(f'[[profile]]\nfile = "{"x" * 300}"\nfamily = "apple-eap"'),
        "profile[1].file",
        "file name too long",
    ),
    (
        after('[[profile]]\nfile = "pki/root.pem"\nfamily = "apple-web"'),
        "profile[1].family",
        "is no supplicant family",
    ),
    (after('[[profile]]\nfile = "pki/root.pem"'), "profile[1].family", "is missing"),
    (
        after('[[accept]]\nrule = "web-old-tsl"\nreason = "x"\nuntil = 2027-04-01'),
        "accept[1].rule",
        "did you mean web-old-tls?",
    ),
    (after('[[accept]]\nrule = "web-old-tls"\nreason = "x"'), "accept[1].until", "is missing"),
    (after('[[accept]]\nrule = "web-old-tls"\nuntil = 2027-04-01'), "accept[1].reason", "missing"),
    (
        after('[[accept]]\nrule = "web-old-tls"\nreason = "x"\nuntil = "2027-04-01"'),
        "accept[1].until",
        "is a text",
    ),
    (
        after('[[accept]]\nrule = "web-old-tls"\nreason = "x"\nuntil = 2027-04-01T00:00:00Z'),
        "accept[1].until",
        "is a time",
    ),
    (
        after(
            '[[accept]]\nrule = "web-old-tls"\nreason = "x"\nuntil = 2027-04-01\nnodes = ["quay4"]'
        ),
        "accept[1].nodes[1]",
        "quay4 is no node",
    ),
    (
        after(
            '[[accept]]\nrule = "web-old-tls"\nreason = "x"\nuntil = 2027-04-01\n'
            'name = "a.northpier.example"'
        ),
        "accept[1].name",
        "is no name of the plan",
    ),
    (
        after('[[accept]]\nrule = "web-old-tls"\nreason = "x"\nuntil = 2027-04-01\n' * 2),
        "accept[2]",
        "repeats accept[1]",
    ),
]


@pytest.mark.parametrize(
    ("text", "place", "says"), SINGLE, ids=[f"{n}-{row[2]}" for n, row in enumerate(SINGLE)]
)
def test_one_mistake_is_one_problem_at_its_place(
    written: Written, text: str, place: str | None, says: str
) -> None:
    found = problems(written(text))
    assert len(found) == 1, found
    assert says in found[0].says
    if place is not None:
        assert found[0].place == place
    assert "berth-7" not in str(found[0]), "what may be a secret is not repeated"


def test_all_problems_are_told_at_once_each_with_its_nodes_name(written: Written) -> None:
    text = """
nmae = "Northpier"
[web]
port = 0
[[node]]
name = "quay1"
host = "quay1.northpier.example"
[[node]]
name = "quay2"
addresses = ["192.0.2.300"]
eap.port = "high"
[[accept]]
rule = "nonsense"
"""
    assert [(entry.place, entry.name) for entry in problems(written(text))] == [
        ("nmae", None),
        ("web.port", None),
        ("node[2].addresses[1]", "quay2"),
        ("node[2].eap.port", "quay2"),
        ("accept[1].rule", None),
        ("name", None),
        ("node[2].host", "quay2"),
        ("node[2].eap", "quay2"),
        ("accept[1].reason", None),
        ("accept[1].until", None),
    ]


def test_a_problem_in_words() -> None:
    """The contract's example of a place, with the node's name."""
    problem = Problem("node[2].eap.port", "0 is out of range", "1 to 65535", "quay2")
    assert str(problem) == "node[2].eap.port (quay2): 0 is out of range; allowed: 1 to 65535"


def test_a_name_off_the_plan_cannot_write_on_the_terminal(written: Written) -> None:
    found = problems(written(in_top(r'"\u001b[2Jx" = 1') + '[[group]]\nname = "a\\u0007"'))
    assert all(str(entry).isprintable() for entry in found)


# ---------------------------------------------------------------- the file itself


def test_a_syntax_error_is_one_problem_with_its_line(written: Written) -> None:
    (found,) = problems(written('name = "Northpier"\nnode = [\n  oops\n]'))
    assert found.place == ""
    assert found.says.startswith("line 3, column 3: ")


def test_a_syntax_error_at_the_end_names_the_last_line(written: Written) -> None:
    (found,) = problems(written('name = "Northpier"\nvantage = "head'))
    assert found.says.startswith("line 2, at the end: ")


@pytest.mark.parametrize(
    "text",
    [
        "x = " + "[" * 100_000,
        "x = " + "{x = " * 50_000,
        ".".join(["x"] * 100_000) + " = 1",
        "y = {" + " . ".join(["'x'"] * 100_000) + " = 1}",
        "[" + ".".join(['"x"'] * 100_000) + "]",
    ],
    ids=["lists", "tables", "dotted key", "inline key", "dotted table"],
)
def test_a_plan_nested_without_end_is_refused_at_once(written: Written, text: str) -> None:
    (found,) = problems(written(text))
    assert "too deeply" in found.says
    assert problems_in(text, Path()) == (found,)


def test_a_number_without_end_is_refused(written: Written) -> None:
    text = "x = " + "9" * 10_000
    (found,) = problems(written(text))
    assert "digits" in found.says
    assert problems_in(text, Path()) == (found,)


def test_a_plan_that_is_no_text_is_refused_with_the_line(folder: Path) -> None:
    path = folder / "plan.toml"
    path.write_bytes(b'name = "x"\nvantage = "\xff"\n')
    (found,) = problems(path)
    assert found.says == "line 2 is not UTF-8 text"


def test_a_plan_that_is_too_large_is_not_read(folder: Path) -> None:
    path = folder / "plan.toml"
    path.write_bytes(b"#" * 4_194_305)
    (found,) = problems(path)
    assert "is larger than 4194304 octets" in found.says


def test_a_plan_that_is_not_there_or_is_a_folder(folder: Path) -> None:
    (missing,) = problems(folder / "none.toml")
    assert missing.says == "the file does not exist"
    (directory,) = problems(folder / "pki")
    assert directory.says == "the file is no regular file"


def test_an_empty_plan_lacks_what_every_plan_has(written: Written) -> None:
    assert [entry.place for entry in problems(written(""))] == ["name", "node"]
