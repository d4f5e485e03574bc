"""What must hold of any octets, for each reader and state machine that is given octets of others.

`TARGETS` maps a name to a check; it returns, or raises what shows a defect. `tests.wire.anything`
has those of single codecs; here is what reads files, names, pages and whole conversations.
"""

import asyncio
import functools
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from types import SimpleNamespace
from typing import Any

from probe.certificate.ber import definite
from probe.certificate.bundle import NoCertificateError
from probe.certificate.bundle import certificates_in as fetched_certificates
from probe.certificate.container import RequestError, in_order, read_bundle, read_request
from probe.certificate.container.key import key_matches
from probe.certificate.der import DerError
from probe.certificate.facts import facts_of
from probe.certificate.timestamps import by_handshake, embedded, stapled
from probe.judge.assess import judge
from probe.judge.authority.crl import read_list
from probe.judge.authority.ocsp import read_response
from probe.judge.caa import parse as parse_caa
from probe.judge.tlsa import parse as parse_tlsa
from probe.observation.document import SurveyError, from_json, to_json
from probe.observation.model import Method, Outcome
from probe.observe.http import FetchError, _read_response, place_of
from probe.observe.message import MessageError, Response, name_text
from probe.plan.pattern import PatternError, compiled
from probe.plan.pem import certificates_in
from probe.plan.problems import PlanError, Refused
from probe.plan.profiles import read_profile
from probe.plan.read import load_plan
from probe.report.render import render
from probe.wire import radius
from probe.wire.conversation import Conversation
from probe.wire.eap import EapPacket
from probe.wire.head import HeadReader
from probe.wire.hello import Hello
from probe.wire.inner import avp, tlv
from probe.wire.inner.dialogue import InnerError
from probe.wire.inner.peap import PeapDialogue
from probe.wire.inner.ttls import MschapDialogue, PapDialogue
from probe.wire.mppe import session_keys
from probe.wire.radsec import Packets, RadsecSession
from tests.fuzz import handed
from tests.judge import world
from tests.wire.anything import LIMITS, PARSERS
from tests.wire.test_login import ACCOUNT, BY_PAP

Check = Callable[[bytes], None]

BODY = 10_000
"""The most octets of a page that are asked for here."""
WORK = 1 << 20
"""Octets beyond which an input says nothing more: readers are bounded, and it is only slow."""


def pieces(octets: bytes) -> Iterator[bytes]:
    """Cut octets at lengths that stand in them."""
    at = 0
    while at < len(octets):
        size = octets[at]
        yield octets[at + 1 : at + 1 + size]
        at += 1 + size


def told(says: str) -> None:
    """Why something is refused is a line that a terminal can show."""
    assert says.isprintable(), says
    assert 0 < len(says) < 8_000, says


# ---------------------------------------------------------------- certificates and containers


def certificate(octets: bytes) -> None:
    facts = facts_of(octets)
    embedded(facts)
    facts_of(octets)
    assert repr(facts).isprintable()


def timestamps(octets: bytes) -> None:
    by_handshake(octets)
    stapled(octets)


def fetched(octets: bytes) -> None:
    """What authorities publish: certificates, lists, OCSP responses."""
    with suppress(NoCertificateError):
        assert fetched_certificates(octets)
    read_list(octets)
    read_response(octets)


def bundle(octets: bytes) -> None:
    """Files of certificates and keys. Derivations are bounded; an empty password opens few."""
    read = read_bundle((("file", octets),), lambda _number: b"gangway")
    for order in in_order(read):
        assert order.leaf == order.chain[0]
    for key in read.keys:
        for held in read.certificates:
            key_matches(key, held.der)
    assert all(problem.says for problem in read.problems)
    with suppress(RequestError):
        read_request(octets)
    with suppress(DerError):
        definite(octets)


def roots(octets: bytes) -> None:
    with suppress(Refused):
        assert certificates_in(octets)


# ---------------------------------------------------------------- plans, profiles, surveys


@functools.cache
def _folder() -> TemporaryDirectory[str]:
    return TemporaryDirectory(prefix="probe-fuzz-")


@contextmanager
def _written(octets: bytes) -> Iterator[Path]:
    path = Path(_folder().name) / "input"
    path.write_bytes(octets)
    yield path


def plan(octets: bytes) -> None:
    with _written(octets) as path:
        try:
            assert load_plan(path).nodes
        except PlanError as error:
            for problem in error.problems:
                told(str(problem))


def _profile(family: str, octets: bytes) -> None:
    with _written(octets) as path:
        try:
            read_profile(path, "profile", family)
        except Refused as refused:
            told(refused.says)


def pattern(octets: bytes) -> None:
    """The first line is a regular expression, the rest what it is held against."""
    expression, _, text = octets.decode("latin-1").partition("\n")
    try:
        made = compiled(expression)
    except PatternError as error:
        told(str(error))
        return
    assert made.finds(text) or not made.covers(text)


AT = datetime(2026, 11, 25, 12, tzinfo=UTC)


@functools.cache
def _plan() -> world.Plan:
    return world.plan()


def survey(octets: bytes) -> None:
    """Whatever passes for a survey is judged, shown, and saved as it was."""
    try:
        read = from_json(octets)
    except SurveyError as error:
        told(str(error))
        return
    assert from_json(to_json(read)) == read
    found = judge(_plan(), read, at=AT)
    for form in ("terminal", "json"):
        assert render(found, form)


# ---------------------------------------------------------------- names and pages


def dns_message(octets: bytes) -> None:
    try:
        read = Response(octets)
    except MessageError:
        return
    list(read.extended_errors())
    for record in (*read.answer, *read.authority):
        name_text(record.owner)
        for take in (read.data, read.target):
            with suppress(MessageError):
                assert take(record) is not None


def dns_text(octets: bytes) -> None:
    text = octets.decode("latin-1")
    parse_caa(text)
    parse_tlsa(text)
    with suppress(FetchError):
        assert place_of(text).host


def http(octets: bytes) -> None:
    """The answer of an authority, and the head of an answer over TLS."""

    async def read() -> None:
        nobody: Any = SimpleNamespace(get_debug=lambda: False)
        reader = asyncio.StreamReader(limit=16_384, loop=nobody)
        reader.feed_data(octets)
        reader.feed_eof()
        try:
            answer = await _read_response(reader, BODY)
        except (FetchError, asyncio.IncompleteReadError):
            return
        assert len(answer.body) <= BODY

    # No loop is needed for what is there already: nothing waits.
    step = read()
    with suppress(StopIteration):
        step.send(None)
        raise AssertionError("it waits for more, behind the end")
    head = HeadReader(16_384, 1_000, lambda: AT)
    for piece in pieces(octets):
        head.feed(piece)
    head.feed(octets)


# ---------------------------------------------------------------- conversations


def inner(octets: bytes) -> None:
    """What is said inside the tunnel of a login."""
    with suppress(InnerError):
        list(avp.parse(octets))
    with suppress(InnerError):
        tlv.parse(octets)
    session_keys(list(pieces(octets)), b"testing-only", bytes(16))


def dialogues(octets: bytes) -> None:
    """One method inside after another, piece by piece: an end, and never a proof that is none."""
    for dialogue in (
        PeapDialogue(ACCOUNT, version=0, material=bytes),
        MschapDialogue(ACCOUNT, lambda _label, octets, _context: bytes(octets)),
        PapDialogue(BY_PAP),
    ):
        with suppress(InnerError):
            dialogue.begin()
            for piece in filter(None, pieces(octets)):  # nothing said is nothing heard
                dialogue.receive(piece)
        assert dialogue.missing is not None or isinstance(dialogue, PapDialogue)


def radsec(octets: bytes) -> None:
    """Octets inside RadSec, in pieces and at once."""
    with suppress(radius.RadiusError):
        list(Packets().feed(octets))
    for said in (tuple(pieces(octets)), (octets,)):
        session = RadsecSession((("User-Name", "cert-probe"),), _conversation())
        session.start()
        for piece in said:
            session.receive(piece)
        session.end_of_input()
        assert session.done


def conversation(octets: bytes) -> None:
    """Each piece is what one reply carries; a first octet says which code, and whether EAP fits."""
    talk = _conversation()
    talk.start()
    rounds = 0
    said: int | None = None
    for number, piece in enumerate(pieces(octets)):
        if talk.finished:
            break
        packet = piece[1:]
        if piece[:1] >= b"\x80":
            # As a request of EAP with a good head; what follows is the type and its data.
            packet = b"\x01" + bytes((number % 256,)) + (4 + len(packet)).to_bytes(2) + packet
        code = radius.Code.ACCESS_CHALLENGE if piece[:1] != b"\x01" else radius.Code.ACCESS_REJECT
        reply = radius.Reply(code, "any", 0, packet, None, (), True, True)
        answer = talk.receive(reply)
        rounds += 1
        assert (answer is None) == talk.finished
        if answer is not None:
            said = EapPacket.parse(answer).identifier
    talk.silence()
    assert talk.finished
    assert (talk.outcome is Outcome.SILENT) == (rounds == 0)
    assert talk.outcome is not Outcome.SERVED, "nobody proves a key by chance"
    assert said is None or rounds


def _conversation() -> Conversation:
    return Conversation(
        identity="cert-probe@northpier.example",
        methods=(Method.PEAP, Method.EAP_TTLS, Method.EAP_TLS, Method.TEAP),
        hello=Hello(),
        fragment_size=1000,
        limits=LIMITS,
        until_request=True,
    )


TARGETS: dict[str, Check] = {
    **PARSERS,
    **handed.TARGETS,
    **{
        each.__name__: each
        for each in (
            certificate,
            timestamps,
            fetched,
            bundle,
            roots,
            plan,
            pattern,
            survey,
            dns_message,
            dns_text,
            http,
            inner,
            dialogues,
            radsec,
            conversation,
        )
    },
    **{
        f"profile_{family.split('-')[0]}": functools.partial(_profile, family)
        for family in ("apple-eap", "windows-eap", "linux-eap")
    },
}


def run(target: str, octets: bytes) -> None:
    """Hold a target against some octets."""
    if len(octets) <= WORK:
        TARGETS[target](octets)
