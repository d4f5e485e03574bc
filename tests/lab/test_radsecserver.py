"""The lab's RadSec server, looked at with the standard library's ssl and the openssl program, by a
peer that shares no code with it."""

import re
import socket
import ssl
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from lab.cluster import Cluster
from lab.scenario import Scenario
from tests.lab.supplicant import ACCEPT, CHALLENGE, Supplicant

SECRET = b"radsec"
"""RFC 6614, 2.3 (4)."""
NAME = "radsec.northpier.example"
STATUS = bytes.fromhex("0c 01 00 14") + bytes(16)
"""Status-Server without a signature, which RFC 5997, 5 forbids."""


def context(lab: Cluster, *, shows: bool = True, old: bool = False) -> ssl.SSLContext:
    """Return what a careful peer goes with: it trusts the roaming root alone."""
    trust = ssl.create_default_context(cafile=str(lab.directory / "pki" / "roaming-root.pem"))
    if shows:
        trust.load_cert_chain(lab.directory / "radsec.pem", lab.directory / "radsec.key")
    if old:
        trust.maximum_version = ssl.TLSVersion.TLSv1_2
    return trust


@contextmanager
def inside(lab: Cluster, node: str = "quay3", **how: bool) -> Iterator[ssl.SSLSocket]:
    """Connect to a node's RadSec endpoint as such a peer."""
    with (
        socket.create_connection(lab.radsec_place(node), timeout=10) as plain,
        context(lab, **how).wrap_socket(plain, server_hostname=NAME) as tls,
    ):
        yield tls


@contextmanager
def running(directory: Path, name: str = "healthy-radsec") -> Iterator[Cluster]:
    with Cluster(Scenario.load(name), directory=directory) as lab:
        yield lab


def s_client(lab: Cluster, *arguments: str) -> str:
    """Return what openssl's own client prints, without a certificate of ours."""
    address, port = lab.radsec_place("quay3")
    command = ["openssl", "s_client", "-connect", f"{address}:{port}", "-showcerts", *arguments]
    shown = subprocess.run(command, input=b"", capture_output=True, timeout=30, check=False)
    return shown.stdout.decode("ascii", "replace")


@pytest.mark.parametrize("old", [True, False])
def test_a_careful_peer_gets_a_sign_of_life(tmp_path: Path, *, old: bool) -> None:
    """RFC 5997, 3: an Access-Accept, and its authenticators are right."""
    with running(tmp_path) as lab, inside(lab, old=old) as tls:
        assert tls.version() == ("TLSv1.2" if old else "TLSv1.3")
        reply = Supplicant(tls, SECRET).status()
    assert (reply.code, reply.verified) == (ACCEPT, True)


def test_the_chain_is_served_as_configured(tmp_path: Path) -> None:
    """The CAs of its peers, which it knows too, are no part of it."""
    for name, length in (("healthy-radsec", 2), ("radsec-chain-incomplete", 1)):
        with running(tmp_path / name, name) as lab:
            (configured,) = lab.radsec_chains("quay3")
            shown = s_client(lab, "-tls1_2")
        blocks = re.findall(r"-----BEGIN.*?-----END CERTIFICATE-----", shown, re.DOTALL)
        assert tuple(map(ssl.PEM_cert_to_DER_cert, blocks)) == configured.certificates
        assert len(blocks) == length


@pytest.mark.parametrize("old", [True, False])
def test_a_peer_without_a_certificate_is_turned_away(tmp_path: Path, *, old: bool) -> None:
    """RFC 9846, 6.2: under TLS 1.3 certificate_required comes behind the handshake."""
    says = "HANDSHAKE_FAILURE" if old else "CERTIFICATE_REQUIRED"
    with running(tmp_path) as lab, pytest.raises(ssl.SSLError, match=says):  # noqa: SIM117
        with inside(lab, shows=False, old=old) as tls:
            tls.recv(1)


def test_a_certificate_of_another_ca_is_turned_away(tmp_path: Path) -> None:
    with (
        running(tmp_path, "radsec-refused-our-certificate") as lab,
        pytest.raises(ssl.SSLError, match="UNKNOWN_CA"),
        inside(lab) as tls,
    ):
        tls.recv(1)


def test_peers_are_told_whose_certificates_are_taken_or_not(tmp_path: Path) -> None:
    with running(tmp_path / "1") as lab:
        shown = s_client(lab, "-tls1_2")
    told = shown.partition("Acceptable client certificate CA names\n")[2].splitlines()[0]
    assert "Seaway Roaming Root" in told
    with running(tmp_path / "2", "radsec-no-client-certificate-asked") as lab:
        assert "No client certificate CA names sent" in s_client(lab, "-tls1_2")
        with inside(lab, shows=False) as tls:
            assert Supplicant(tls, SECRET).status().code == ACCEPT


def test_eap_inside_is_the_nodes_own(tmp_path: Path) -> None:
    """It is counted where it is held, as any other conversation."""
    with running(tmp_path) as lab, inside(lab) as tls:
        chain = Supplicant(tls, SECRET).chain(("PEAP",), "TLSv1.2")
        (eap,) = lab.eap_chains("quay3")
        opened = [lab.radius[node].opened for node in lab.names]
    assert chain == eap.certificates
    assert opened == [0, 0, 1]


def test_packets_may_come_in_pieces_and_several_at_a_time(tmp_path: Path) -> None:
    """RFC 6613, 2.1: a stream has no borders but the lengths of packets."""
    with running(tmp_path) as lab, inside(lab) as tls:
        for place in range(len(STATUS)):
            tls.sendall(STATUS[place : place + 1])
        # What is not signed is not answered (RFC 5997, 5), and this one is.
        assert Supplicant(tls, SECRET).status().verified
        tls.sendall(STATUS + STATUS)
        assert Supplicant(tls, SECRET).status().verified


def test_a_length_that_no_packet_has_ends_the_connection(tmp_path: Path) -> None:
    """RFC 6613, 2.6.4."""
    with running(tmp_path) as lab, inside(lab) as tls:
        tls.sendall(b"\x0c\x01\x00\x03" + bytes(16))
        assert tls.recv(1) == b""


def test_status_server_may_be_left_unanswered(tmp_path: Path) -> None:
    with running(tmp_path, "radsec-silent-no-sign-of-life") as lab, inside(lab) as tls:
        peer = Supplicant(tls, SECRET, patience=0.3)
        with pytest.raises(TimeoutError):
            peer.status()
        assert peer.identify().code == CHALLENGE


def test_replies_may_be_made_with_another_secret(tmp_path: Path) -> None:
    with running(tmp_path, "radsec-refused-other-secret") as lab, inside(lab) as tls:
        assert Supplicant(tls, SECRET).status().verified is False


@pytest.mark.parametrize(
    ("scenario", "says"),
    [("radsec-silent-inside", None), ("radsec-refused-garbage-inside", b"\x00\x9b31m")],
)
def test_what_is_wrong_inside(tmp_path: Path, scenario: str, says: bytes | None) -> None:
    with running(tmp_path, scenario) as lab, inside(lab) as tls:
        tls.settimeout(0.3 if says is None else 10)
        tls.sendall(STATUS)
        if says is None:
            with pytest.raises(TimeoutError):
                tls.recv(1)
        else:
            assert tls.recv(5) == says


def test_one_hangs_up_after_the_handshake(tmp_path: Path) -> None:
    with running(tmp_path, "radsec-refused-hangs-up") as lab, inside(lab) as tls:
        assert tls.recv(1) == b""


def answer_to_a_hello(lab: Cluster, patience: float = 10) -> bytes:
    with socket.create_connection(lab.radsec_place("quay3"), timeout=10) as plain:
        plain.settimeout(patience)
        plain.sendall(b"\x16\x03\x01\x00\x05\x01\x00\x00\x01\x00")
        received = b""
        while data := plain.recv(4096):
            received += data
        return received


@pytest.mark.parametrize(
    ("scenario", "start"),
    [
        ("radsec-refused", b"\x15\x03\x03\x00\x02\x02\x28"),  # a fatal handshake_failure
        ("radsec-refused-not-tls", b"\x00\x9b31m"),
        ("radsec-refused-malformed", b"\x16\x03\x03\x00\x2c\x02\x00\x00\x28\xff"),
        ("radsec-closed-cut-off", b""),
    ],
)
def test_a_hello_is_answered_by_what_is_configured(
    tmp_path: Path, scenario: str, start: bytes
) -> None:
    with running(tmp_path, scenario) as lab:
        answer = answer_to_a_hello(lab)
    assert answer.startswith(start)
    assert bool(answer) is bool(start)


def test_a_silent_server_takes_the_connection_and_says_nothing(tmp_path: Path) -> None:
    with running(tmp_path, "radsec-silent") as lab, pytest.raises(TimeoutError):
        answer_to_a_hello(lab, patience=0.3)


@pytest.mark.parametrize("single_address", [False, True])
def test_a_closed_port_is_closed(tmp_path: Path, *, single_address: bool) -> None:
    scenario = Scenario.load("radsec-closed")
    with (
        Cluster(scenario, directory=tmp_path, single_address=single_address) as lab,
        pytest.raises(ConnectionRefusedError),
    ):
        socket.create_connection(lab.radsec_place("quay3"), timeout=5)


def test_a_realm_stands_in_the_certificate(tmp_path: Path) -> None:
    """RFC 7585, 2.2: an otherName of type 1.3.6.1.5.5.7.8.8 with a UTF8String."""
    with running(tmp_path, "healthy-radsec-realms") as lab:
        (configured,) = lab.radsec_chains("quay1")
    der = configured.certificates[0]
    assert bytes.fromhex("06082b06010505070808a0130c11") + b"northpier.example" in der


def test_the_key_of_the_plan_is_its_owners_alone(tmp_path: Path) -> None:
    with running(tmp_path):
        assert (tmp_path / "radsec.key").stat().st_mode & 0o777 == 0o600
