"""RadSec visits, each with a server on loopback: what it demands, and what is said inside TLS."""

import asyncio
import struct
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives.serialization import (
    Encoding,
    NoEncryption,
    PrivateFormat,
)

from probe.limits import DEFAULT, Limits
from probe.observation.document import from_json, to_json
from probe.observation.model import (
    Aspect,
    Endpoint,
    HandshakeAsk,
    Method,
    Outcome,
    Phase,
    TlsVersion,
    fingerprint,
)
from probe.observe.agenda import Depth, agenda, secrets_needed
from probe.observe.radsec import Inside, visit_inside, visit_radsec
from probe.observe.radsecvisits import CredentialError, credentials
from probe.observe.sweep import survey
from probe.observe.visit import VisitSeen
from probe.plan.model import Eap, Plan, Radsec, SecretRef
from probe.records import replace
from probe.wire.credential import ClientCertificate
from probe.wire.radius import Code, Request, build_reply
from tests.observe import standstill
from tests.observe.plans import EAP, node, plan
from tests.observe.radsecpeers import RadsecServer, alive, with_eap
from tests.observe.test_web import Handler, listening, mute, says
from tests.wire.eapserver import EapServer
from tests.wire.pki import Chain, der, make_chain, server_context

OURS = make_chain("rsa")
"""Of the prober; the servers' are another key's."""
AUTHORITY = "CN=Harbour Issuing"
KEY = SecretRef(environment="NORTHPIER_RADSEC_KEY")
SETTINGS = Eap(identity="cert-probe@northpier.example")
QUICK = replace(
    DEFAULT, tls_wait=0.3, trial_wait=0.1, radius_silence=0.1, eap_farewell_wait=0.1, eap_visit=3.0
)
ENDINGS = (TlsVersion.TLS1_2, TlsVersion.TLS1_3)


def pem(chain: Chain) -> bytes:
    return b"".join(one.public_bytes(Encoding.PEM) for one in (chain.leaf, chain.intermediate))


def key(chain: Chain) -> bytes:
    return chain.key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())


def inside() -> Inside:
    return Inside(ClientCertificate.read(pem(OURS), key(OURS)), SETTINGS)


def look(handle: Handler, **ask: Any) -> VisitSeen:
    return _visit(handle, lambda asked: visit_radsec(asked, "127.0.0.1", QUICK), **ask)


def go_in(handle: Handler, *, eap: bool = False, limits: Limits = QUICK) -> VisitSeen:
    methods = (Method.PEAP,) if eap else ()
    return _visit(
        handle,
        lambda asked: visit_inside(asked, "127.0.0.1", limits, inside()),
        methods=methods,
        aspect=Aspect.INSIDE,
    )


def _visit(
    handle: Handler, visit: Callable[[HandshakeAsk], Awaitable[VisitSeen]], **ask: Any
) -> VisitSeen:
    async def run() -> VisitSeen:
        async with listening(handle) as port:
            asked = HandshakeAsk("127.0.0.1", port, server_name="radsec.northpier.example")
            return await visit(replace(asked, **ask))

    return asyncio.run(run())


# ---------------------------------------------------------------- the handshake alone


@pytest.mark.parametrize("piece", [1 << 20, 100])
@pytest.mark.parametrize("version", ENDINGS)
def test_the_chain_and_whose_certificates_are_demanded(version: TlsVersion, piece: int) -> None:
    server = RadsecServer(version, trusts=(OURS.intermediate, OURS.root), piece=piece)
    seen = look(server.handle)
    assert (seen.outcome, seen.phase) == (Outcome.SERVED, Phase.FINISH)
    assert seen.certificates == server.chain
    assert seen.served is not None
    assert (seen.served.tls, seen.served.key_proven) == (version, True)
    assert seen.radsec is not None
    assert seen.radsec.certificate_asked is True
    assert seen.radsec.client_authorities == (AUTHORITY, "CN=Harbour Root")
    assert server.heard == []


@pytest.mark.parametrize("version", ENDINGS)
def test_a_server_that_demands_none(version: TlsVersion) -> None:
    seen = look(RadsecServer(version, demands=False).handle)
    assert seen.radsec is not None
    assert seen.radsec.certificate_asked is False
    assert seen.radsec.client_authorities is None


@pytest.mark.parametrize("chosen", [None, "radius/1.0", "radius/1.1"])
def test_the_protocol_that_is_chosen(chosen: str | None) -> None:
    """RFC 9765, 3.3: both are offered; a server that knows of neither chooses none."""
    server = RadsecServer(alpn=chosen)
    seen = look(server.handle)
    assert seen.outcome is Outcome.SERVED
    assert seen.radsec is not None
    assert seen.radsec.alpn == chosen
    assert server.offered == [[b"radius/1.1", b"radius/1.0"]]


def test_an_old_version_by_itself() -> None:
    server = RadsecServer(TlsVersion.TLS1_1)
    assert look(server.handle).outcome is Outcome.REFUSED
    old = look(server.handle, tls=(TlsVersion.TLS1_1,), aspect=Aspect.OLD_VERSION)
    assert old.outcome is Outcome.SERVED
    assert old.served is not None
    assert old.served.tls is TlsVersion.TLS1_1


@pytest.mark.parametrize(
    ("handle", "outcome"),
    [
        (mute, Outcome.SILENT),
        (says(b"SSH-2.0-lighthouse\r\n"), Outcome.NOT_TLS),
        (says(bytes((21, 3, 3, 0, 2, 2, 40))), Outcome.REFUSED),
        (says(), Outcome.CUT_OFF),
    ],
)
def test_how_it_ends_without_a_chain(handle: Handler, outcome: Outcome) -> None:
    assert look(handle).outcome is outcome
    assert go_in(handle).outcome is outcome


# ---------------------------------------------------------------- inside


@pytest.mark.parametrize("version", ENDINGS)
def test_a_sign_of_life_inside(version: TlsVersion) -> None:
    server = RadsecServer(version, trusts=(OURS.intermediate,))
    seen = go_in(server.handle)
    assert (seen.outcome, seen.detail) == (Outcome.SERVED, None)
    assert seen.radsec is not None
    assert (seen.radsec.status_reply, seen.radsec.eap_outcome) == ("Access-Accept", None)
    assert server.shown == [OURS.leaf]
    assert [request.code for request in server.heard] == [12]
    assert server.offered == [[b"radius/1.0"]]


@pytest.mark.parametrize("version", ENDINGS)
@pytest.mark.parametrize("sign_of_life", [True, False])
def test_eap_inside(version: TlsVersion, sign_of_life: bool) -> None:
    behind = make_chain("rsa4096")
    eap = EapServer(server_context(behind.key, behind.leaf, version=TlsVersion.TLS1_2))
    server = RadsecServer(version, answer=with_eap(eap, sign_of_life=sign_of_life))
    seen = go_in(server.handle, eap=True)
    assert seen.outcome is Outcome.SERVED
    assert seen.served is not None
    assert seen.served.chain == tuple(map(fingerprint, server.chain))
    assert seen.radsec is not None
    assert seen.radsec.status_reply == ("Access-Accept" if sign_of_life else None)
    assert seen.radsec.eap_outcome is Outcome.SERVED
    assert seen.radsec.eap_served is not None
    assert seen.radsec.eap_served.chain == tuple(map(fingerprint, der(behind.leaf)))
    assert seen.certificates == (*server.chain, *der(behind.leaf))
    assert seen.eap is not None
    assert seen.eap.method is Method.PEAP
    assert seen.radius is not None
    assert seen.radius.reply == "Access-Reject"
    assert seen.round_trips == len(server.heard) - 2  # Status-Server and the polite end
    assert eap.heard[-1].data[-2:] == b"\x01\x00"  # close_notify, a warning


@pytest.mark.parametrize("version", ENDINGS)
def test_the_plans_certificate_is_refused(version: TlsVersion) -> None:
    """Under TLS 1.3 that comes when the handshake is over for us (RFC 9846, 4.4.3 and 6.2)."""
    server = RadsecServer(version, trusts=(OURS.root,))  # ours is not issued by it
    seen = go_in(server.handle)
    assert (seen.outcome, seen.phase) == (Outcome.REFUSED, Phase.FINISH)
    assert seen.alert is not None
    assert seen.certificates == server.chain
    assert server.shown == []


def test_a_server_that_hangs_up_at_our_certificate() -> None:
    seen = go_in(RadsecServer(hangs_up=True).handle)
    assert (seen.outcome, seen.alert) == (Outcome.CUT_OFF, None)
    assert seen.detail == "the connection ended after our certificate"


def test_nothing_inside() -> None:
    seen = go_in(RadsecServer(answer=lambda _: None).handle, eap=True)
    assert (seen.outcome, seen.detail) == (Outcome.SILENT, "nothing came back inside TLS")
    assert seen.radsec is not None
    assert seen.radsec.eap_outcome is Outcome.SILENT


def test_another_secret_inside() -> None:
    def answer(request: Request) -> bytes:
        return build_reply(request, b"radius/dtls", Code.ACCESS_ACCEPT)

    seen = go_in(RadsecServer(answer=answer).handle)
    assert seen.outcome is Outcome.SECRET_DIFFERS


def test_what_is_no_radius_inside() -> None:
    seen = go_in(RadsecServer(answer=lambda _: b"220 mail.northpier.example\r\n").handle)
    assert seen.outcome is Outcome.MALFORMED
    assert seen.certificates == RadsecServer().chain


@pytest.mark.parametrize("code", [43, 2])
def test_more_than_is_taken_inside(code: int) -> None:
    """Requests of its own (CoA), or replies to nobody: it is our side that leaves."""

    def flood(request: Request) -> bytes:
        other = (request.identifier + 1) % 256
        return (bytes((code, other, 0, 20)) + bytes(16)) * 50_000

    # Silence is not what it is about.
    limits = replace(QUICK, trial_wait=9.0)
    seen = go_in(RadsecServer(answer=flood).handle, limits=limits)
    assert (seen.outcome, seen.detail) == (
        Outcome.MALFORMED,
        "inside TLS: more than is taken, and no reply in it",
    )


def test_what_comes_as_the_wait_runs_out_counts() -> None:
    """The sign of life comes in the turn in which it is given up: EAP, which that has begun, is
    not given up with it."""
    limits = replace(DEFAULT, trial_wait=20.0, eap_visit=60.0)
    behind = make_chain("ecdsa")
    inner = with_eap(EapServer(server_context(behind.key, behind.leaf)))

    def answer(request: Request) -> bytes | None:
        if request.eap is None:
            standstill.pass_over(limits.trial_wait)
        return inner(request)

    seen = go_in(RadsecServer(answer=answer).handle, eap=True, limits=limits)
    assert seen.radsec is not None
    assert seen.radsec.status_reply == "Access-Accept"
    assert seen.radsec.eap_outcome is Outcome.SERVED
    assert seen.seconds > limits.trial_wait


def test_it_takes_no_longer_than_a_visit_may() -> None:
    """A server that says something for ever, but no answer."""

    def answer(request: Request) -> bytes:
        return struct.pack("!BBH16s", 43, request.identifier, 20, bytes(16)) * 50

    limits = replace(QUICK, eap_visit=0.3, trial_wait=9.0, radius_silence=9.0)
    seen = go_in(RadsecServer(answer=answer).handle, eap=True, limits=limits)
    assert seen.outcome is Outcome.SILENT
    assert seen.seconds < 2.0


def test_an_interrupted_visit_tells_the_server_behind() -> None:
    """It is cancelled while it waits for EAP: the session there is ended all the same."""
    behind = make_chain("ecdsa")
    eap = EapServer(server_context(behind.key, behind.leaf))
    inner = with_eap(eap)

    async def run() -> list[Request]:
        waiting, told = asyncio.Event(), asyncio.Event()

        def answer(request: Request) -> bytes | None:
            if len(server.heard) == 3:
                waiting.set()  # the ClientHello: it stays unanswered
                return None
            if len(server.heard) == 4:
                told.set()
            return inner(request)

        server = RadsecServer(answer=answer)
        async with listening(server.handle) as port:
            ask = HandshakeAsk("127.0.0.1", port, methods=(Method.PEAP,), aspect=Aspect.INSIDE)
            visit = asyncio.create_task(visit_inside(ask, "127.0.0.1", DEFAULT, inside()))
            await waiting.wait()
            visit.cancel()
            with pytest.raises(asyncio.CancelledError):
                await visit
            async with asyncio.timeout(5):
                await told.wait()
        return server.heard

    heard = asyncio.run(run())
    assert heard[-1].eap is not None
    assert heard[-1].eap[4] == 3  # a Nak (RFC 3748, 5.3.1), as the method has only begun


# ---------------------------------------------------------------- in a survey


def radsec_plan(tmp_path: Path, port: int) -> Plan:
    certificate = tmp_path / "peer.pem"
    certificate.write_bytes(pem(OURS))
    radsec = Radsec(port, names=("radsec.northpier.example",), certificate=certificate, key=KEY)
    return plan(replace(node("quay1", "127.0.0.1", eap=None), radsec=radsec))


def test_a_survey_with_radsec(tmp_path: Path) -> None:
    async def run() -> None:
        server = RadsecServer(trusts=(OURS.intermediate,))
        async with listening(server.handle) as port:
            of = radsec_plan(tmp_path, port)
            questions = agenda(of, Depth.NODE, only=frozenset({Endpoint.RADSEC}))
            assert secrets_needed(of, questions) == (KEY,)
            seen = await survey(of, questions, secrets={KEY: key(OURS)}, limits=QUICK)
        at = f"radsec/quay1/127.0.0.1:{port}"
        ended = {record.question: record.outcome for record in seen.handshakes}
        assert ended == {
            at: Outcome.SERVED,
            f"{at}/old/TLSv1": Outcome.REFUSED,
            f"{at}/old/TLSv1.1": Outcome.REFUSED,
            f"{at}/inside": Outcome.SERVED,
        }
        assert seen.unobserved() == ()
        text = to_json(seen)
        assert from_json(text) == seen
        assert key(OURS).splitlines()[1] not in text

    asyncio.run(run())


def test_nothing_more_is_sent_to_a_closed_port(tmp_path: Path) -> None:
    async def run() -> None:
        async with listening(mute) as port:
            pass
        of = radsec_plan(tmp_path, port)
        questions = agenda(of, Depth.NODE, only=frozenset({Endpoint.RADSEC}))
        seen = await survey(of, questions, secrets={KEY: key(OURS)}, limits=QUICK)
        first, *others = seen.handshakes
        assert first.outcome is Outcome.CLOSED
        assert {record.outcome for record in others} == {Outcome.CLOSED}
        assert all((record.detail or "").startswith("as the visit before") for record in others)

    asyncio.run(run())


def test_what_is_no_pair_is_told_before_anything_is_sent(tmp_path: Path) -> None:
    of = radsec_plan(tmp_path, 1)
    questions = agenda(of, Depth.SWEEP, only=frozenset({Endpoint.RADSEC}))
    other = key(make_chain("ecdsa"))
    with pytest.raises(CredentialError, match="quay1") as caught:
        credentials(of, questions, {KEY: other})
    assert other.splitlines()[1].decode() not in str(caught.value)
    with pytest.raises(CredentialError, match="quay1"):
        credentials(of, questions, {KEY: b"no key at all"})
    (found,) = credentials(of, questions, {KEY: key(OURS)}).values()
    assert "PRIVATE" not in repr(found)


def test_inside_as_the_nodes_own_client(tmp_path: Path) -> None:
    """EAP in the plan: it goes on in the first method, as the plan says."""
    of = radsec_plan(tmp_path, 2083)
    of = replace(of, nodes=(replace(of.nodes[0], eap=EAP),))
    *_, question = agenda(of, Depth.SWEEP, only=frozenset({Endpoint.RADSEC}))
    assert question.handshake is not None
    assert (question.id, question.handshake.methods) == (
        "radsec/quay1/127.0.0.1:2083/inside",
        (Method.PEAP,),
    )
    assert credentials(of, (question,), {KEY: key(OURS)})["quay1"].settings == EAP


def test_a_server_that_is_alive_says_so() -> None:
    """The twin of silence inside."""
    assert go_in(RadsecServer(answer=alive).handle).outcome is Outcome.SERVED
