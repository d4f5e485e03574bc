"""What a closer look at EAP is laid out as, from literal surveys."""

from datetime import UTC, datetime

from probe.judge.looks import eap_looks
from probe.observation.model import (
    Aspect,
    EapSeen,
    Endpoint,
    Handshake,
    HandshakeAsk,
    KeyFamily,
    Method,
    Outcome,
    Phase,
    Question,
    RadiusSeen,
    Served,
    Survey,
    TlsVersion,
    Trial,
    TrialKind,
)

AT = datetime(2026, 11, 25, 1, 47, 8, tzinfo=UTC)
PLACE = "eap/quay1/192.0.2.11:1812"
REPLIED = RadiusSeen(reply="Access-Challenge")


def asked(tail: str, ask: HandshakeAsk, **seen: object) -> tuple[Question, Handshake]:
    question = Question(f"{PLACE}/{tail}", Endpoint.EAP, ("quay1",), handshake=ask)
    given: dict[str, object] = {
        "outcome": Outcome.SERVED,
        "phase": Phase.FINISH,
        "radius": REPLIED,
        **seen,
    }
    where = question.id, Endpoint.EAP, ("quay1",)
    record = Handshake(*where, ask, AT, 0.1, **given)  # type: ignore[arg-type]  # passed through
    return question, record


def ask(method: Method = Method.PEAP, **more: object) -> HandshakeAsk:
    methods = (method,)
    return HandshakeAsk(
        "192.0.2.11",
        1812,
        methods=methods,
        **more,  # type: ignore[arg-type]  # passed through
    )


def served(tls: TlsVersion, family: KeyFamily = KeyFamily.RSA, leaf: str = "a") -> Served:
    return Served((leaf * 64,), tls, key_family=family)


def survey(*pairs: tuple[Question, Handshake]) -> Survey:
    questions, records = zip(*pairs, strict=True)
    return Survey((), "0" * 64, questions, (), records, {})


PEAP = asked(
    "PEAP",
    ask(),
    served=served(TlsVersion.TLS1_3),
    round_trips=4,
    eap=EapSeen(Method.PEAP, ("EAP-TLS", "PEAP"), fragments=(1024, 300)),
)
EAP_TLS = asked(
    "EAP-TLS",
    ask(Method.EAP_TLS),
    served=served(TlsVersion.TLS1_3),
    round_trips=5,
    eap=EapSeen(Method.EAP_TLS, ("EAP-TLS",), client_authorities=("CN=Devices",)),
)
RSA = asked(
    "PEAP/rsa/TLSv1.2",
    ask(aspect=Aspect.FAMILY, key_family=KeyFamily.RSA, tls=(TlsVersion.TLS1_2,)),
    served=served(TlsVersion.TLS1_2),
    eap=EapSeen(Method.PEAP, ("PEAP",), resumption=("ticket",)),
)
ECDSA = asked(
    "PEAP/ecdsa/TLSv1.2",
    ask(aspect=Aspect.FAMILY, key_family=KeyFamily.ECDSA, tls=(TlsVersion.TLS1_2,)),
    outcome=Outcome.REFUSED,
    phase=Phase.HELLO,
)
OLD = asked(
    "PEAP/old/TLSv1",
    ask(aspect=Aspect.OLD_VERSION, tls=(TlsVersion.TLS1_0,)),
    outcome=Outcome.REFUSED,
    phase=Phase.HELLO,
)


def test_a_sweep_has_no_closer_look() -> None:
    assert eap_looks(survey(PEAP, EAP_TLS)) == ()
    # After an import a sweep asks for the key families too.
    assert eap_looks(survey(PEAP, EAP_TLS, RSA, ECDSA)) == ()


def test_what_was_asked_by_itself_is_told_by_itself() -> None:
    (look,) = eap_looks(survey(PEAP, EAP_TLS, RSA, ECDSA, OLD))
    assert (look.nodes, look.service, look.address, look.port) == (
        ("quay1",),
        None,
        "192.0.2.11",
        1812,
    )
    assert look.proposed == ("EAP-TLS",)
    assert [(m.method, m.outcome, m.round_trips, m.largest_fragment) for m in look.methods] == [
        ("PEAP", "served", 4, 1024),
        ("EAP-TLS", "served", 5, None),
    ]
    assert look.versions == ("TLSv1.2", "TLSv1.3")
    assert look.versions_refused == ("TLSv1",)
    assert look.families == (("rsa", ("TLSv1.2",)), ("ecdsa", ()))
    assert look.client_authorities == ("CN=Devices",)
    assert look.resumption == ("ticket",)


def test_repeats_are_compared_with_the_first_visit() -> None:
    def again(turn: int, leaf: str) -> tuple[Question, Handshake]:
        what = ask(aspect=Aspect.AGAIN, turn=turn)
        return asked(f"PEAP/again/{turn + 1}", what, served=served(TlsVersion.TLS1_3, leaf=leaf))

    (alike,) = eap_looks(survey(PEAP, again(1, "a"), again(2, "a")))
    assert (alike.repeats, alike.repeats_alike) == (2, True)
    (other,) = eap_looks(survey(PEAP, again(1, "a"), again(2, "b")))
    assert (other.repeats, other.repeats_alike) == (2, False)


def test_what_was_never_sent_refuses_nothing() -> None:
    """Where the first visit met silence, closer questions are not sent, and their records say how
    that visit ended."""
    tried = (Trial(TrialKind.STATUS_SERVER, Outcome.SILENT),)
    silent = asked("PEAP", ask(), outcome=Outcome.SILENT, phase=Phase.IDENTITY, trials=tried)
    question, record = OLD
    unsent = asked("PEAP/old/TLSv1", record.asked, outcome=Outcome.REFUSED, radius=None)
    (look,) = eap_looks(survey(silent, (question, unsent[1])))
    assert look.versions_refused == ()
    assert look.families == ()
    assert look.trials == tried


def test_what_several_surveys_show_alike_is_told_once() -> None:
    """A sweep and a look at one node, merged, both hold a conversation in each method."""
    once = eap_looks(survey(PEAP, EAP_TLS, OLD))
    assert eap_looks(survey(PEAP, EAP_TLS, PEAP, EAP_TLS, OLD)) == once
    _, slower = asked("PEAP", ask(), served=served(TlsVersion.TLS1_3), round_trips=9)
    (look,) = eap_looks(survey(PEAP, (PEAP[0], slower), OLD))
    assert [method.round_trips for method in look.methods] == [4, 9]
