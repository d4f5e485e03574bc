"""A whole sweep that meets independent servers only: names by nsd, web by nginx, EAP by hostapd."""

from contextlib import ExitStack
from pathlib import Path

import pytest

from tests.peers.hostapd import CURRENT, Radius, hostapd
from tests.peers.nameservers import nsd, zone
from tests.peers.pki import GUEST, HOST, keys
from tests.peers.plans import eap_table, fingerprints, write_plan
from tests.peers.servers import LOOPBACK, Site, nginx
from tests.running import probe

WEB = ("web-p-256", "public-issuing")
EAP = ("radius-rsa-2048", "private-issuing")
SERVICE = f'[[service]]\nname = "{GUEST}"\nendpoint = "web"\naudience = "guests"\n'
ALIAS = "guest CNAME quay1"


@pytest.mark.parametrize(
    ("planned", "records", "status", "findings"),
    [
        pytest.param(f'addresses = ["{LOOPBACK}"]', f"quay1 A {LOOPBACK}", 0, set(), id="planned"),
        pytest.param("", f"quay1 A {LOOPBACK}", 0, set(), id="found-by-name"),
        pytest.param(
            f'addresses = ["{LOOPBACK}"]',
            "quay1 A 127.0.0.9",
            1,
            {
                ("dns-wrong-address", "dns", ("quay1",), HOST),
                ("dns-wrong-address", "dns", ("quay1",), GUEST),
            },
            id="led-astray",
        ),
    ],
)
def test_a_whole_cluster(
    tmp_path: Path, planned: str, records: str, status: int, findings: set[tuple[object, ...]]
) -> None:
    """The healthy twins give nothing at all; the name that leads elsewhere gives just that."""
    with ExitStack() as stack:
        names = stack.enter_context(
            nsd(tmp_path / "nsd", zone("northpier.example", f"{records}\n{ALIAS}"))
        )
        web = stack.enter_context(nginx(tmp_path / "nginx", [Site(HOST, (keys(*WEB),))]))
        eap = stack.enter_context(hostapd(tmp_path / "hostapd", Radius(keys(*EAP), tls=CURRENT)))
        plan = write_plan(
            tmp_path,
            f'[dns]\nresolvers = ["{LOOPBACK}:{names.port}"]\n[web]\nport = {web.port}\n',
            eap_table(eap.port, "PEAP", "EAP-TTLS", "EAP-TLS"),
            SERVICE,
            f'[[node]]\nname = "quay1"\nhost = "{HOST}"\n{planned}\n',
        )
        result = probe(plan)
    assert result.document["complete"] is True
    assert (result.status, result.findings()) == (status, findings)
    for endpoint, labels in (("web", WEB), ("eap", EAP)):
        entries = result.endpoints(endpoint)
        assert [entry["chain"] for entry in entries] == [fingerprints(*labels)] * 2
        assert {entry["address"] for entry in entries} == {LOOPBACK}
