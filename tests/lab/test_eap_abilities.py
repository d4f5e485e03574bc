"""What an EAP endpoint of the lab can be told to show, as seen by a peer that shares no code with
it."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import msgspec
import pytest
from OpenSSL import SSL

from lab.cluster import Cluster
from lab.eapsettings import EapSettings
from lab.eapsite import EapFault, EapMethod, Proposal
from lab.radiusserver import Manners
from lab.relay import Balancing
from lab.scenario import Certificate, Scenario, Service
from lab.signing import SignaturePlace
from lab.tls import Resumption, Version
from tests.lab.supplicant import ACCEPT, CHALLENGE, METHODS, REJECT, Supplicant

OTHER = Certificate(
    issuer="northpier-issuing", common_name="other.northpier.example", key="RSA-2048"
)
CHAIN, OTHER_CHAIN = ("eap", "northpier-issuing"), ("other", "northpier-issuing")
ETHERNET, WIRELESS = b"\0\0\0\x0f", b"\0\0\0\x13"
"""Values of NAS-Port-Type, 61 (RFC 2865, 5.41)."""


def told(directory: Path, **settings: Any) -> Cluster:
    """Return the healthy cluster with other settings of EAP at every node."""
    scenario = Scenario.load("healthy-cluster")
    eap = EapSettings(chains=(CHAIN,), **settings)
    nodes = {name: msgspec.structs.replace(node, eap=eap) for name, node in scenario.node.items()}
    certificates = {**scenario.certificate, "other": OTHER}
    changed = msgspec.structs.replace(scenario, node=nodes, certificate=certificates)
    return Cluster(changed, directory=directory)


@contextmanager
def meeting(
    directory: Path, how: dict[str, Any] | None = None, **settings: Any
) -> Iterator[Supplicant]:
    """Bring a supplicant and the first node of such a cluster together."""
    with (
        told(directory, **settings) as lab,
        Supplicant(lab.eap_place("quay1"), lab.secret, **(how or {})) as supplicant,
    ):
        yield supplicant


def leaf(lab: Cluster, method: str = "PEAP", version: str = "TLSv1.3", **how: Any) -> str:
    """Return the label of the certificate that one conversation shows."""
    with Supplicant(lab.eap_place("quay1"), lab.secret, **how) as supplicant:
        first = supplicant.chain((method,), version)[0]
    return next(label for label in ("eap", "other") if lab.issued(label).der == first)


def test_a_method_can_have_a_certificate_of_its_own(tmp_path: Path) -> None:
    with told(tmp_path, by_method={EapMethod.EAP_TTLS: (OTHER_CHAIN,)}) as lab:
        shown = [leaf(lab, method) for method in ("PEAP", "EAP-TTLS", "EAP-TLS")]
    assert shown == ["eap", "other", "eap"]


def test_a_visit_can_have_a_certificate_of_its_own(tmp_path: Path) -> None:
    by_visit = {"NAS-Port-Type=Ethernet": (OTHER_CHAIN,)}
    with told(tmp_path, by_visit=by_visit) as lab:
        shown = [leaf(lab, attributes=[(61, kind)]) for kind in (WIRELESS, ETHERNET)]
    assert shown == ["eap", "other"]


def test_certificates_can_come_in_turn(tmp_path: Path) -> None:
    with told(tmp_path, in_turn=(OTHER_CHAIN,)) as lab:
        assert [leaf(lab) for _ in range(4)] == ["eap", "other", "eap", "other"]


@pytest.mark.parametrize("version", ["TLSv1", "TLSv1.1"])
def test_old_versions_can_be_all_there_is(tmp_path: Path, version: str) -> None:
    with told(tmp_path, tls=(Version.TLS1_0, Version.TLS1_1)) as lab:
        assert leaf(lab, version=version) == "eap"
        with pytest.raises(SSL.Error, match="protocol"):
            leaf(lab, version="TLSv1.2")


def test_clients_are_told_the_cas_of_their_certificates(tmp_path: Path) -> None:
    """RFC 5246, 7.4.4: type 13, types of certificates, signature algorithms, names with lengths."""
    with told(tmp_path, client_authorities=("northpier-root",)) as lab:
        name = lab.issued("northpier-root").certificate.subject.public_bytes()
        with Supplicant(lab.eap_place("quay1"), lab.secret) as supplicant:
            supplicant.chain(("EAP-TLS",), "TLSv1.2")
    names = len(name).to_bytes(2) + name
    assert len(names).to_bytes(2) + names in supplicant.flight


@pytest.mark.parametrize(
    ("ways", "session", "ticket"),
    [
        ((), False, False),
        ((Resumption.SESSION_ID,), True, False),
        ((Resumption.TICKET,), False, True),
    ],
)
def test_sessions_can_be_resumed(
    tmp_path: Path, ways: tuple[Resumption, ...], *, session: bool, ticket: bool
) -> None:
    """RFC 5246, 7.4.1.3: the session id comes after version and random; RFC 5077, 3.2: type 35."""
    with meeting(tmp_path, resumption=ways) as supplicant:
        supplicant.chain(("PEAP",), "TLSv1.2")
    hello = supplicant.flight[5 + 4 :]
    assert bool(hello[34]) is session
    assert (b"\0\x23\0\0" in hello[: int.from_bytes(supplicant.flight[3:5])]) is ticket


def test_teap_begins_with_an_authority_id(tmp_path: Path) -> None:
    """RFC 9930, 4.1: flags S and O (0x20, 0x10), version 1, the length of the outer TLVs, and no
    TLS data; 4.2.2: an Authority-ID TLV is type 1."""
    with meeting(tmp_path, methods=(EapMethod.TEAP,)) as supplicant:
        start = supplicant.identify().eap
    assert start[4:6] == bytes((55, 0x31))
    outer = start[10:]
    assert int.from_bytes(start[6:10]) == len(outer)
    assert outer == b"\0\x01\0\x11Northpier Ferries"
    with told(tmp_path, methods=(EapMethod.TEAP,)) as lab:
        assert leaf(lab, "TEAP") == "eap"


def test_a_method_that_nobody_agrees_to_can_be_proposed_first(tmp_path: Path) -> None:
    with meeting(tmp_path, proposes=(Proposal.EAP_FAST,), methods=(EapMethod.PEAP,)) as supplicant:
        supplicant.chain(("PEAP",), "TLSv1.2")
    assert supplicant.proposed == [43, METHODS["PEAP"]]


@pytest.mark.parametrize("version", [0, 1])
def test_a_version_of_peap_is_offered(tmp_path: Path, version: int) -> None:
    with told(tmp_path, peap_version=version) as lab:
        with Supplicant(lab.eap_place("quay1"), lab.secret) as supplicant:
            assert supplicant.identify().eap[5] == 0x20 | version
        assert leaf(lab) == "eap"


@pytest.mark.parametrize(("heeds", "longest"), [(True, 390), (False, 1024)])
def test_fragments_keep_to_the_mtu_of_the_request(
    tmp_path: Path, *, heeds: bool, longest: int
) -> None:
    """RFC 3579, 2.4: Framed-MTU (12) bounds the EAP packet."""
    with told(tmp_path, heeds_mtu=heeds) as lab:
        mtu = [(12, (400).to_bytes(4))]
        with Supplicant(lab.eap_place("quay1"), lab.secret, attributes=mtu) as supplicant:
            supplicant.chain(("PEAP",), "TLSv1.2")
    assert len(supplicant.fragments) > 1
    assert set(supplicant.fragments[:-1]) == {longest}


@pytest.mark.parametrize(
    ("place", "where"),
    [
        (SignaturePlace.FIRST, 0),
        (SignaturePlace.LAST, -1),
        (SignaturePlace.MISSING, None),
    ],
)
def test_the_signature_stands_where_it_is_told(
    tmp_path: Path, place: SignaturePlace, where: int | None
) -> None:
    """Message-Authenticator, 80 (RFC 3579, 3.2)."""
    with meeting(tmp_path, radius=Manners(signature=place)) as supplicant:
        reply = supplicant.identify()
    assert (reply.code, reply.verified) == (CHALLENGE, True)
    kinds = [kind for kind, _ in reply.attributes]
    assert kinds.count(80) == (where is not None)
    if where is not None:
        assert kinds[where] == 80


@pytest.mark.parametrize("accepted", [True, False])
def test_unsigned_requests_are_dropped_unless_told_otherwise(
    tmp_path: Path, *, accepted: bool
) -> None:
    with told(tmp_path, radius=Manners(accepts_unsigned=accepted)) as lab:
        place = lab.eap_place("quay1")
        with Supplicant(place, lab.secret, signing=False, patience=0.3) as supplicant:
            if accepted:
                assert supplicant.identify().code == CHALLENGE
            else:
                with pytest.raises(TimeoutError):
                    supplicant.identify()


def test_status_server_is_answered_or_not(tmp_path: Path) -> None:
    """RFC 5997, 3: an Access-Accept from an authentication port."""
    with told(tmp_path) as lab, Supplicant(lab.eap_place("quay1"), lab.secret) as supplicant:
        reply = supplicant.status()
    assert (reply.code, reply.verified) == (ACCEPT, True)
    with meeting(
        tmp_path, {"patience": 0.3}, radius=Manners(status_server="ignores")
    ) as supplicant:
        with pytest.raises(TimeoutError):
            supplicant.status()
        assert supplicant.identify().code == CHALLENGE


def test_requests_can_be_dropped_by_a_server_that_knows_us(tmp_path: Path) -> None:
    with meeting(tmp_path, {"patience": 0.3}, fault=EapFault.DROPS) as supplicant:
        assert supplicant.status().code == ACCEPT
        with pytest.raises(TimeoutError):
            supplicant.identify()


def test_a_reject_can_tell_its_cause(tmp_path: Path) -> None:
    """Error-Cause, 101 (RFC 5176, 3.6): 502 is "Request Not Routable (Proxy)"."""
    manners = Manners(error_cause="Proxy-Request-Not-Routable")
    with meeting(tmp_path, fault=EapFault.REJECTS, radius=manners) as supplicant:
        reply = supplicant.identify()
    assert reply.code == REJECT
    assert (101, (502).to_bytes(4)) in reply.attributes


def test_conversations_are_counted_where_they_are_held(tmp_path: Path) -> None:
    """A conversation that is ended with an alert is over; one that is just left waits."""
    with told(tmp_path) as lab:
        server = lab.radius["quay1"]
        leaf(lab)
        assert (server.opened, server.waiting) == (1, 1)
        with Supplicant(lab.eap_place("quay1"), lab.secret) as supplicant:
            goodbye = b"\x15\x03\x03\0\x02\x02\x5a"  # a fatal user_canceled (RFC 9846, 6.2)
            raw = supplicant.tell_raw(goodbye, supplicant.identify())
            assert raw[0] in {CHALLENGE, REJECT}
        assert server.opened == 2
        assert lab.radius["quay2"].opened == 0


@pytest.mark.parametrize("balancing", Balancing)
def test_a_virtual_address_may_split_a_conversation(tmp_path: Path, balancing: Balancing) -> None:
    """Packet by packet the nodes know nothing of each other's conversations; client by client each
    conversation stays with one of them."""
    scenario = Scenario.load("healthy-cluster")
    name = "radius.northpier.example"
    service = Service(endpoint="eap", virtual=True, balancing=balancing)
    split = msgspec.structs.replace(scenario, service={**scenario.service, name: service})
    with (
        Cluster(split, directory=tmp_path) as lab,
        Supplicant(lab.virtual_place(name), lab.secret) as supplicant,
    ):
        if balancing is Balancing.BY_CLIENT:
            assert len(supplicant.chain(("PEAP",), "TLSv1.2")) == 2
        else:
            with pytest.raises(AssertionError, match="code=3"):  # an Access-Reject
                supplicant.chain(("PEAP",), "TLSv1.2")
        assert [lab.radius[node].opened for node in lab.names] == [1, 0, 0]
