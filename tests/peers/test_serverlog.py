"""What FreeRADIUS and hostapd write when a supplicant objects is read as that, and counted."""

from pathlib import Path

import pytest

from probe.observe.serverlog import Logged, alerts_in
from tests.peers.freeradius import Setup, freeradius
from tests.peers.hostapd import Radius, hostapd
from tests.peers.objecting import object_to
from tests.peers.pki import RSA, keys


@pytest.mark.parametrize("version", ["1.2", "1.3"])
def test_freeradius(tmp_path: Path, version: str) -> None:
    """In debugging it writes up to five lines about each alert."""
    setup = Setup(keys(*RSA), lowest=version, highest=version)
    with freeradius(tmp_path / "server", setup) as server:
        for method in ("PEAP", "EAP-TTLS"):
            object_to(server.port, method, f"TLSv{version}")
        with server.log.open("rb") as log:
            assert alerts_in(log) == (Logged("unknown_ca", True, 2, None, None),)


def test_freeradius_into_its_log_file(tmp_path: Path) -> None:
    """Without debugging there are two lines of it, one with the name of whoever wanted in."""
    setup = Setup(keys(*RSA), debugging=False)
    with freeradius(tmp_path / "server", setup) as server:
        object_to(server.port, "PEAP", "TLSv1.2")
        written = tmp_path / "server" / "radius.log"
        assert (
            "Login incorrect (eap_peap: (TLS) Alert read:fatal:unknown CA)" in written.read_text()
        )
        with written.open("rb") as log:
            assert alerts_in(log) == (Logged("unknown_ca", True, 1, None, None),)


@pytest.mark.parametrize("version", ["TLSv1.2", "TLSv1.3"])
def test_hostapd(tmp_path: Path, version: str) -> None:
    with hostapd(tmp_path / "server", Radius(keys(*RSA), tls=(version,))) as server:
        object_to(server.port, "PEAP", version)
        with server.log.open("rb") as log:
            assert alerts_in(log) == (Logged("unknown_ca", True, 1, None, None),)
