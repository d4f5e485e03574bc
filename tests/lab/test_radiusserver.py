"""The lab's RADIUS/EAP server, asked by a peer that shares no code with it."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from lab.cluster import Cluster
from lab.scenario import Scenario
from tests.lab.supplicant import CHALLENGE, METHODS, REJECT, Supplicant


@contextmanager
def meeting(folder: Path, scenario: str, *, patience: float = 10.0) -> Iterator[Supplicant]:
    """Bring a supplicant and the third node of a scenario together."""
    with (
        Cluster(Scenario.load(scenario), directory=folder) as lab,
        Supplicant(lab.eap_place("quay3"), lab.secret, patience=patience) as supplicant,
    ):
        yield supplicant


@pytest.mark.parametrize("version", ["TLSv1.2", "TLSv1.3"])
@pytest.mark.parametrize("method", ["PEAP", "EAP-TTLS", "EAP-TLS"])
def test_the_chain_comes_in_the_order_configured(tmp_path: Path, method: str, version: str) -> None:
    with Cluster(Scenario.load("healthy-root-served"), directory=tmp_path) as lab:
        (configured,) = lab.eap_chains("quay2")
        with Supplicant(lab.eap_place("quay2"), lab.secret) as supplicant:
            assert supplicant.chain((method,), version) == configured.certificates
    assert len(configured.certificates) == 3
    # It proposes PEAP first, and the method of our Nak after that.
    expected = ["PEAP"] if method == "PEAP" else ["PEAP", method]
    assert supplicant.proposed == [METHODS[name] for name in expected]


def test_fragments_are_as_long_as_configured(tmp_path: Path) -> None:
    """RFC 5216, 2.1.5: all fragments but the last are full."""
    with meeting(tmp_path, "healthy-tls-1-2-only") as supplicant:
        supplicant.chain(("PEAP",), "TLSv1.2")
    assert len(supplicant.fragments) > 2
    assert set(supplicant.fragments[:-1]) == {500}
    assert supplicant.rounds == 1 + len(supplicant.fragments)


def test_replies_verify_and_come_from_the_address_asked(tmp_path: Path) -> None:
    """RFC 2865, 3 and RFC 3579, 3.2; a connected socket hears only the address asked."""
    with Cluster(Scenario.load("healthy-cluster"), directory=tmp_path) as lab:
        for node in lab.names:
            with Supplicant(lab.eap_place(node), lab.secret) as supplicant:
                reply = supplicant.identify()
                assert reply.code == CHALLENGE
                assert reply.verified


def test_the_same_request_gets_the_same_reply(tmp_path: Path) -> None:
    """RFC 5080, 2.2.2."""
    with meeting(tmp_path, "healthy-cluster") as supplicant:
        first, second = supplicant.exchange_twice(b"\x02\x07\x00\x06\x01x")
    assert first == second


def test_another_secret_than_ours_gets_silence(tmp_path: Path) -> None:
    """RFC 3579, 3.2: a request whose Message-Authenticator is wrong is silently discarded."""
    with (
        Cluster(Scenario.load("healthy-cluster"), directory=tmp_path) as lab,
        Supplicant(lab.eap_place("quay1"), b"wrong", patience=0.3) as supplicant,
        pytest.raises(TimeoutError),
    ):
        supplicant.identify()


def test_a_closed_port_is_closed(tmp_path: Path) -> None:
    with meeting(tmp_path, "eap-closed") as supplicant, pytest.raises(ConnectionRefusedError):
        supplicant.identify()


def test_a_silent_server_is_silent(tmp_path: Path) -> None:
    with meeting(tmp_path, "eap-silent", patience=0.3) as supplicant, pytest.raises(TimeoutError):
        supplicant.identify()


def test_the_other_secret_shows_in_the_reply(tmp_path: Path) -> None:
    with meeting(tmp_path, "eap-secret-differs") as supplicant:
        reply = supplicant.identify()
    assert reply.code == CHALLENGE
    assert not reply.verified


def test_an_early_reject_comes_before_any_method(tmp_path: Path) -> None:
    with meeting(tmp_path, "eap-rejected-early") as supplicant:
        reply = supplicant.identify()
    assert (reply.code, reply.verified) == (REJECT, True)
    assert reply.eap == b"\x04\x07\x00\x04"  # EAP Failure (RFC 3748, 4.2)


def test_a_method_that_is_not_agreed_ends_in_a_reject(tmp_path: Path) -> None:
    with meeting(tmp_path, "eap-method-refused") as supplicant:
        proposal = supplicant.identify()
        assert proposal.eap[4] == METHODS["TEAP"]
        nak = bytes((2, proposal.eap[1], 0, 6, 3, METHODS["PEAP"]))
        reply = supplicant.exchange(nak, proposal.state)
    assert reply.code == REJECT


@pytest.mark.parametrize(
    ("scenario", "answer"),
    [
        # RFC 9846, 6: a record of type 21 with level fatal (2) and handshake_failure (40).
        ("eap-refused", b"\x15\x03\x03\x00\x02\x02\x28"),
        ("eap-refused-not-tls", b"\x00\x9b31m"),
    ],
)
def test_a_hello_is_answered_by_what_is_configured(
    tmp_path: Path, scenario: str, answer: bytes
) -> None:
    with meeting(tmp_path, scenario) as supplicant:
        flight, reply = supplicant.tell(b"any hello", supplicant.identify())
        assert flight.startswith(answer)
        acknowledgement = bytes((2, reply.eap[1], 0, 6, reply.eap[4], 0))
        assert supplicant.exchange(acknowledgement, reply.state).code == REJECT


def test_a_cut_off_conversation_ends_in_silence(tmp_path: Path) -> None:
    with meeting(tmp_path, "eap-refused-cut-off", patience=0.3) as supplicant:
        proposal = supplicant.identify()
        with pytest.raises(TimeoutError):
            supplicant.tell(b"any hello", proposal)


def test_a_hello_can_be_rejected_without_a_word(tmp_path: Path) -> None:
    with meeting(tmp_path, "eap-refused-rejects-hello") as supplicant:
        proposal = supplicant.identify()
        hello = bytes((2, proposal.eap[1], 0, 7, proposal.eap[4], 0, 22))
        assert supplicant.exchange(hello, proposal.state).code == REJECT


def test_nonsense_is_discarded_and_the_server_lives_on(tmp_path: Path) -> None:
    """RFC 2865, 3 and RFC 3748, 4: what is no packet is silently discarded."""
    with Cluster(Scenario.load("healthy-cluster"), directory=tmp_path) as lab:
        with Supplicant(lab.eap_place("quay1"), lab.secret, patience=0.3) as supplicant:
            for eap in (b"\x02", b"\x02\x07\x00\x03", b"\x02\x07\xff\xff\x01x"):
                with pytest.raises(TimeoutError):
                    supplicant.exchange(eap, None)
        with Supplicant(lab.eap_place("quay1"), lab.secret) as supplicant:
            assert supplicant.identify().code == CHALLENGE
