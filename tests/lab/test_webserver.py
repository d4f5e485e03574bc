"""The lab's web server, looked at with the openssl program and the standard library's ssl."""

import re
import socket
import ssl
import subprocess
from pathlib import Path

import pytest

from lab.cluster import Cluster
from lab.scenario import Scenario

HOST = "quay3.northpier.example"


def s_client(lab: Cluster, node: str, *arguments: str) -> tuple[bytes, ...]:
    """Return the chain that openssl's own client was shown, as DER."""
    address, port = lab.web_place(node)
    command = ["openssl", "s_client", "-connect", f"{address}:{port}", "-showcerts", *arguments]
    shown = subprocess.run(command, input=b"", capture_output=True, timeout=30, check=False)
    blocks = re.findall(
        r"-----BEGIN CERTIFICATE-----.*?-----END CERTIFICATE-----",
        shown.stdout.decode("ascii", "replace"),
        re.DOTALL,
    )
    # -showcerts prints the chain, and the server's certificate once more only without it.
    return tuple(ssl.PEM_cert_to_DER_cert(block) for block in blocks)


@pytest.mark.parametrize("version", ["-tls1_2", "-tls1_3"])
@pytest.mark.parametrize(
    ("scenario", "length"),
    [("healthy-root-served", 3), ("web-chain-incomplete", 1), ("healthy-cross-signed", 3)],
)
def test_the_chain_is_served_as_configured(
    tmp_path: Path, scenario: str, length: int, version: str
) -> None:
    with Cluster(Scenario.load(scenario), directory=tmp_path) as lab:
        (configured,) = lab.web_chains("quay3")
        assert s_client(lab, "quay3", "-servername", HOST, version) == configured.certificates
    assert len(configured.certificates) == length


@pytest.mark.parametrize(("schemes", "which"), [("RSA-PSS+SHA256", 0), ("ECDSA+SHA256", 1)])
def test_each_key_family_has_its_own_chain(tmp_path: Path, schemes: str, which: int) -> None:
    with Cluster(Scenario.load("healthy-both-key-families"), directory=tmp_path) as lab:
        configured = lab.web_chains("quay1")
        served = s_client(lab, "quay1", "-sigalgs", schemes, "-tls1_3")
    assert served == configured[which].certificates


def test_the_certificate_is_chosen_by_server_name(tmp_path: Path) -> None:
    with Cluster(Scenario.load("healthy-names-by-sni"), directory=tmp_path) as lab:
        for name in ("guest.northpier.example", "onboard.northpier.example", HOST):
            (configured,) = lab.web_chains("quay3", name)
            assert s_client(lab, "quay3", "-servername", name) == configured.certificates
        assert s_client(lab, "quay3", "-noservername") == lab.web_chains("quay3")[0].certificates


def test_a_client_that_verifies_gets_its_page(tmp_path: Path) -> None:
    """The standard library's own verification takes the chain, and refuses the twin without it."""
    with Cluster(Scenario.load("web-chain-incomplete"), directory=tmp_path) as lab:
        trust = ssl.create_default_context(cafile=str(tmp_path / "pki" / "public-root.pem"))
        with (
            socket.create_connection(lab.web_place("quay1"), timeout=10) as plain,
            trust.wrap_socket(plain, server_hostname="guest.northpier.example") as tls,
        ):
            tls.sendall(b"GET / HTTP/1.1\r\nHost: guest.northpier.example\r\n\r\n")
            assert tls.recv(15) == b"HTTP/1.1 200 OK"
        with (
            socket.create_connection(lab.web_place("quay3"), timeout=10) as plain,
            pytest.raises(ssl.SSLCertVerificationError, match="unable to get local issuer"),
        ):
            trust.wrap_socket(plain, server_hostname="guest.northpier.example")


def answer_to_a_hello(lab: Cluster, node: str) -> bytes:
    with socket.create_connection(lab.web_place(node), timeout=0.5) as plain:
        plain.sendall(b"\x16\x03\x01\x00\x05\x01\x00\x00\x01\x00")
        received = b""
        while True:
            data = plain.recv(4096)
            if not data:
                return received
            received += data


@pytest.mark.parametrize(
    ("scenario", "start"),
    [
        ("web-refused", b"\x15\x03\x03\x00\x02\x02\x28"),  # RFC 9846, 6: fatal handshake_failure
        ("web-not-tls", b"HTTP/1.1 400 Bad Request\r\n"),
        ("web-not-tls-garbage", b"\x00\x9b31m"),
        ("web-not-tls-broken-hello", b"\x16\x03\x03\x00\x2c\x02\x00\x00\x28\xff"),
    ],
)
def test_a_hello_is_answered_by_what_is_configured(
    tmp_path: Path, scenario: str, start: bytes
) -> None:
    with Cluster(Scenario.load(scenario), directory=tmp_path) as lab:
        assert answer_to_a_hello(lab, "quay3").startswith(start)


def test_a_cut_off_connection_ends_without_a_word(tmp_path: Path) -> None:
    with Cluster(Scenario.load("web-closed-cut-off"), directory=tmp_path) as lab:
        assert answer_to_a_hello(lab, "quay3") == b""


def test_a_silent_server_takes_the_connection_and_says_nothing(tmp_path: Path) -> None:
    scenario = Scenario.load("web-silent")
    with Cluster(scenario, directory=tmp_path) as lab, pytest.raises(TimeoutError):
        answer_to_a_hello(lab, "quay3")


@pytest.mark.parametrize("single_address", [False, True])
def test_a_closed_port_is_closed(tmp_path: Path, *, single_address: bool) -> None:
    scenario = Scenario.load("web-closed")
    with (
        Cluster(scenario, directory=tmp_path, single_address=single_address) as lab,
        pytest.raises(ConnectionRefusedError),
    ):
        socket.create_connection(lab.web_place("quay3"), timeout=5)
