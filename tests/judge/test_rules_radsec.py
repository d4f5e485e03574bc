"""The twelve rules on RadSec, each from a literal survey, with the healthy twin beside it."""

from datetime import timedelta
from typing import Any

import pytest

from lab.authority import Blueprint, Workshop
from probe.assessment import Verdict
from probe.judge.assess import judge
from probe.judge.radsec_looks import radsec_looks
from probe.observation.model import (
    Endpoint,
    Outcome,
    RadsecSeen,
    Served,
    TlsVersion,
    fingerprint,
)
from probe.observe.agenda import Depth
from probe.plan.model import Acceptance, Roots
from probe.records import replace
from tests.judge.pki import AT, CLIENT, SERVER, make
from tests.judge.radsec_world import (
    ASKED,
    RADSEC,
    Answer,
    ended,
    own_names,
    radsec_plan,
    seen,
    usual,
)
from tests.judge.test_realms import nai_realm
from tests.judge.world import (
    FOREIGN_ROOT,
    NODES,
    PRIVATE_ISSUING,
    PRIVATE_ROOT,
    ca,
    eap_chain,
    folded,
    judged,
    noted,
    private,
    public,
    told,
    with_private,
    with_public,
)

QUAY3 = ("quay3",)


def at_quay3(answer: Answer, **plan: Any) -> Any:
    of = radsec_plan(**plan)
    return judged(of, seen(of, {"radsec/quay3/": answer}))


def leaf(**changes: Any) -> Any:
    return with_private(private(RADSEC, **changes))


# ---------------------------------------------------------------- healthy


@pytest.mark.parametrize("depth", Depth)
@pytest.mark.parametrize("inside", [True, False])
def test_healthy(depth: Depth, inside: bool) -> None:
    of = radsec_plan(inside=inside)
    result = judged(of, seen(of, depth=depth))
    assert (told(result), noted(result), result.verdict) == ([], [], Verdict.SOUND)
    assert [(row.endpoint, row.nodes) for row in result.served] == [(Endpoint.RADSEC, NODES)]


def test_healthy_with_other_names_and_roots() -> None:
    """Names of their own, a realm, the root sent along, both purposes, none at all."""
    own = radsec_plan(names=())
    assert told(judged(own, seen(own, own_names()))) == []
    realm = radsec_plan(names=("northpier.example",))
    issuing = ca(PRIVATE_ISSUING, PRIVATE_ROOT)
    by_realm = make("radsec", issuing, more=(nai_realm("northpier.example"),))
    assert told(judged(realm, seen(realm, {"radsec/": with_private(by_realm)}))) == []
    for chain in (
        (*leaf(), ca(PRIVATE_ROOT).der),
        leaf(purposes=None),
        leaf(purposes=(SERVER, CLIENT)),
    ):
        of = radsec_plan()
        assert told(judged(of, seen(of, {"radsec/": chain}))) == []


def test_without_roots_nothing_is_said_of_where_it_leads() -> None:
    of = radsec_plan(roots=())
    foreign = with_public(public(RADSEC))
    result = judged(of, seen(of, {"radsec/quay3/": foreign}))
    assert (told(result), noted(result)) == ([], [("radsec-unknown-root", NODES)])


def test_radsec_that_is_not_in_the_plan_is_not_missed() -> None:
    of = radsec_plan()
    without = replace(of, nodes=tuple(replace(node, radsec=None) for node in of.nodes))
    assert seen(without).questions == ()


# ---------------------------------------------------------------- the way there


@pytest.mark.parametrize(
    ("outcome", "rule", "verdict"),
    [
        (Outcome.CLOSED, "radsec-closed", Verdict.BLOCKED),
        (Outcome.CUT_OFF, "radsec-closed", Verdict.BLOCKED),
        (Outcome.SILENT, "radsec-silent", Verdict.UNSEEN),
        (Outcome.UNREACHABLE, "radsec-silent", Verdict.UNSEEN),
        (Outcome.REFUSED, "radsec-refused", Verdict.BLOCKED),
        (Outcome.NOT_TLS, "radsec-refused", Verdict.BLOCKED),
        (Outcome.MALFORMED, "radsec-refused", Verdict.BLOCKED),
    ],
)
def test_no_chain_is_one_finding_whatever_was_asked_besides(
    outcome: Outcome, rule: str, verdict: Verdict
) -> None:
    of = radsec_plan(inside=True)
    survey = seen(of, {"radsec/quay2/": outcome, "radsec/quay3/": outcome}, depth=Depth.NODE)
    result = judged(of, survey)
    assert told(result) == [(rule, "radsec", ("quay2", "quay3"), None)]
    assert result.findings[0].verdict is verdict
    assert "port 2083 of quay2 and quay3" in result.findings[0].says


def test_silence_where_it_answered_before_blocks() -> None:
    of = radsec_plan()
    silent = seen(of, {"radsec/quay3/": Outcome.SILENT})
    result = judge(of, silent, at=AT, before=seen(of))
    assert result.findings[0].verdict is Verdict.BLOCKED


def test_a_key_that_is_not_proven() -> None:
    record = ended(Outcome.SERVED)
    result = at_quay3(replace(record, served=Served((), key_proven=False)))
    assert told(result) == [("radsec-refused", "radsec", QUAY3, None)]
    assert "cannot prove" in result.findings[0].says


def test_a_key_that_is_not_proven_is_told_once() -> None:
    """With the plan's certificate the handshake breaks at it again."""
    unproven = replace(ended(Outcome.SERVED), served=Served((), key_proven=False))
    inside = {"radsec/quay3/": unproven, "192.0.2.13:2083/inside": ended(Outcome.CUT_OFF)}
    of = radsec_plan(inside=True)
    result = judged(of, seen(of, inside))
    assert told(result) == [("radsec-refused", "radsec", QUAY3, None)]
    assert "cannot prove" in result.findings[0].says


@pytest.mark.parametrize(
    ("outcome", "rule", "verdict"),
    [
        (Outcome.REFUSED, "radsec-refused", Verdict.UNSEEN),
        (Outcome.CUT_OFF, "radsec-refused", Verdict.UNSEEN),
        (Outcome.SILENT, "radsec-silent", Verdict.UNSEEN),
        (Outcome.SECRET_DIFFERS, "radsec-refused", Verdict.BLOCKED),
        (Outcome.MALFORMED, "radsec-refused", Verdict.BLOCKED),
    ],
)
def test_how_it_ends_inside(outcome: Outcome, rule: str, verdict: Verdict) -> None:
    """What may be our own certificate's fault says nothing of other peers."""
    of = radsec_plan(inside=True)
    alert = "unknown_ca" if outcome is Outcome.REFUSED else None
    result = judged(of, seen(of, {"quay3/192.0.2.13:2083/inside": ended(outcome, alert=alert)}))
    assert told(result) == [(rule, "radsec", QUAY3, None)]
    assert result.findings[0].verdict is verdict
    assert (alert or "") in result.findings[0].says


@pytest.mark.parametrize(
    ("outcome", "rule"),
    [
        (Outcome.CLOSED, "radsec-closed"),
        (Outcome.CUT_OFF, "radsec-closed"),
        (Outcome.SILENT, "radsec-silent"),
        (Outcome.UNREACHABLE, "radsec-silent"),
        (Outcome.REFUSED, "radsec-refused"),
        (Outcome.NOT_TLS, "radsec-refused"),
        (Outcome.MALFORMED, "radsec-refused"),
    ],
)
def test_a_look_inside_that_does_not_get_to_the_certificate_is_not_sound(
    outcome: Outcome, rule: str
) -> None:
    """It may take one connection at a time, or RADIUS/1.1 alone: what is inside was not seen."""
    of = radsec_plan(inside=True)
    result = judged(of, seen(of, {"quay3/192.0.2.13:2083/inside": outcome}))
    assert told(result) == [(rule, "radsec", QUAY3, None)]
    assert result.findings[0].verdict is Verdict.UNSEEN
    assert "one connection" in result.findings[0].says or "once" in result.findings[0].says


def test_a_sign_of_life_that_is_missing_is_a_note() -> None:
    of = radsec_plan(inside=True)
    result = judged(of, seen(of, {"quay3/192.0.2.13:2083/inside": ASKED}))
    assert (told(result), noted(result)) == ([], [("radsec-silent", QUAY3)])


@pytest.mark.parametrize("newer", [True, False])
def test_old_versions(newer: bool) -> None:
    of = radsec_plan()
    answers: dict[str, Answer] = {} if newer else {"radsec/quay3/": Outcome.REFUSED}
    answers["quay3/192.0.2.13:2083/old/"] = usual()
    result = judged(of, seen(of, answers, depth=Depth.NODE))
    assert told(result) == [("radsec-old-tls", "radsec", QUAY3, None)]
    assert result.findings[0].verdict is (Verdict.ADVISED if newer else Verdict.BLOCKED)
    assert "TLS 1.0 and TLS 1.1" in result.findings[0].says
    assert folded(result) == ([] if newer else ["radsec-refused"])


def test_no_certificate_is_asked_for() -> None:
    result = at_quay3(RadsecSeen(certificate_asked=False))
    assert told(result) == [("radsec-no-client-certificate-asked", "radsec", QUAY3, None)]
    assert result.findings[0].verdict is Verdict.ADVISED
    assert told(at_quay3(RadsecSeen(certificate_asked=None))) == []


# ---------------------------------------------------------------- certificates


@pytest.mark.parametrize(
    ("chain", "rule", "verdict", "words"),
    [
        (lambda: leaf(days=20), "radsec-expired", Verdict.BLOCKED, "expired since 2026-11-15"),
        (
            lambda: leaf(begins=AT + timedelta(days=2)),
            "radsec-expired",
            Verdict.BLOCKED,
            "not valid before 2026-11-27",
        ),
        (lambda: leaf(days=35), "radsec-expiring", Verdict.DUE, "ends on 2026-11-30"),
        (
            lambda: with_public(public(RADSEC)),
            "radsec-unknown-root",
            Verdict.BLOCKED,
            "not among the roots that RadSec peers have",
        ),
        (
            lambda: (make(RADSEC, ca(FOREIGN_ROOT), names=(RADSEC,)).der, ca(FOREIGN_ROOT).der),
            "radsec-unknown-root",
            Verdict.BLOCKED,
            FOREIGN_ROOT,
        ),
        (
            lambda: (make(RADSEC, names=(RADSEC,)).der,),
            "radsec-unknown-root",
            Verdict.BLOCKED,
            "its own issuer",
        ),
        (
            lambda: leaf(signed_with="somebody else's"),
            "radsec-unknown-root",
            Verdict.BLOCKED,
            "path to a root is broken",
        ),
        (
            lambda: with_private(private("quay3.northpier.example")),
            "radsec-name-mismatch",
            Verdict.BLOCKED,
            f"does not hold {RADSEC}",
        ),
        (lambda: leaf()[:1], "radsec-chain-incomplete", Verdict.BLOCKED, PRIVATE_ISSUING),
        (
            lambda: leaf(purposes=(CLIENT,)),
            "radsec-wrong-purpose",
            Verdict.BLOCKED,
            "another purpose than a server's",
        ),
        (
            lambda: leaf(usage=("key_encipherment",)),
            "radsec-wrong-purpose",
            Verdict.BLOCKED,
            "another purpose than a server's",
        ),
    ],
)
def test_what_is_wrong_with_a_certificate(
    chain: Any, rule: str, verdict: Verdict, words: str
) -> None:
    result = at_quay3(chain())
    assert told(result) == [(rule, "radsec", QUAY3, None)]
    (finding,) = result.findings
    assert finding.verdict is verdict
    assert words in finding.says
    assert "over RadSec" in finding.says
    assert finding.remedy.endswith(".")
    assert finding.clients == ()
    row = next(row for row in result.served if row.nodes == QUAY3)
    assert (row.verdict, row.findings) == (verdict, (finding.id,))


@pytest.mark.parametrize(
    ("names", "verdict", "says"),
    [
        ((), Verdict.ADVISED, "in the subject alone"),
        (("another.example",), Verdict.BLOCKED, f"does not hold {RADSEC}"),
        (("192.0.2.99",), Verdict.BLOCKED, f"does not hold {RADSEC}"),
    ],
)
def test_a_common_name_is_looked_at_where_there_is_no_other(
    names: tuple[str, ...], verdict: Verdict, says: str
) -> None:
    """RFC 6614, 2.3: "subjectAltName:DNS has precedence over CN". radsecproxy 1.9.2 does so; by
    RFC 9525 the common name never counts."""
    issuing = ca(PRIVATE_ISSUING, PRIVATE_ROOT)
    result = at_quay3(with_private(make(RADSEC, issuing, names=names)))
    assert told(result) == [("radsec-name-mismatch", "radsec", QUAY3, None)]
    assert result.findings[0].verdict is verdict
    assert says in result.findings[0].says


def test_a_weak_key_is_advised() -> None:
    shop = Workshop(
        [
            Blueprint("root", common_name="Weak Root", authority=True, ends=4000),
            Blueprint("leaf", issuer="root", names=(RADSEC,), key="RSA-1024", purposes=("server",)),
        ],
        AT,
    )
    trusted = Roots("weak.pem", None, (shop.chain(("root",))[0].der,))
    of = radsec_plan(roots=(trusted,))
    chain = tuple(one.der for one in shop.chain(("leaf",)))
    result = judged(of, seen(of, {"radsec/": chain}))
    assert told(result) == [("radsec-weak-key", "radsec", NODES, None)]
    assert result.findings[0].verdict is Verdict.ADVISED


def test_several_nodes_with_one_cause_are_one_finding() -> None:
    of = radsec_plan()
    old = leaf(days=20)
    result = judged(of, seen(of, {"radsec/quay1/": old, "radsec/quay4/": old}))
    assert told(result) == [("radsec-expired", "radsec", ("quay1", "quay4"), None)]


def test_what_a_new_certificate_mends_goes_under_it() -> None:
    """A self-signed one that has ended, of another name: one thing is to be done."""
    result = at_quay3((make("dry dock", names=("x.example",), days=20).der,))
    assert told(result) == [("radsec-unknown-root", "radsec", QUAY3, None)]
    assert sorted(folded(result)) == ["radsec-expired", "radsec-name-mismatch"]


def test_octets_that_are_no_certificate() -> None:
    result = at_quay3((b"\x30\x03\x02\x01\x05",))
    assert told(result) == [("radsec-unknown-root", "radsec", QUAY3, None)]
    assert result.findings[0].verdict is Verdict.BLOCKED


def test_a_known_finding_is_accepted() -> None:
    until = AT.date() + timedelta(days=30)
    known = Acceptance("radsec-expiring", QUAY3, "replaced in December", until)
    of = radsec_plan(more={"accepted": (known,)})
    result = judged(of, seen(of, {"radsec/quay3/": leaf(days=35)}))
    assert result.findings[0].accepted is not None
    assert result.verdict is Verdict.SOUND


def test_the_roots_of_radsec_are_a_world_of_their_own() -> None:
    """A root that the plan has for EAP alone is none for RadSec, and the other way round."""
    of = radsec_plan(roots=(radsec_plan().trust.public[0],))
    result = judged(of, seen(of))
    assert told(result) == [("radsec-unknown-root", "radsec", NODES, None)]


# ---------------------------------------------------------------- the closer look


def test_the_look_at_an_address() -> None:
    of = radsec_plan(inside=True)
    survey = seen(of, depth=Depth.NODE)
    behind = Served(tuple(map(fingerprint, eap_chain())), TlsVersion.TLS1_3, key_proven=True)
    records = tuple(
        replace(
            record,
            radsec=replace(
                ASKED,
                status_reply="Access-Accept",
                eap_outcome=Outcome.SERVED,
                eap_served=behind,
            ),
        )
        if record.question.endswith("/inside")
        else record
        for record in survey.handshakes
    )
    look, *others = radsec_looks(replace(survey, handshakes=records))
    assert len(others) == 3
    assert (look.nodes, look.address, look.port) == (("quay1",), "192.0.2.11", 2083)
    assert (look.certificate_asked, look.client_authorities) == (True, ("CN=Northpier Issuing",))
    assert (look.versions, look.versions_refused) == (("TLSv1.3",), ("TLSv1", "TLSv1.1"))
    assert (look.inside, look.status_reply) == ("served", "Access-Accept")
    assert look.eap is not None
    assert look.eap_leaf == fingerprint(eap_chain()[0])
    assert look.eap_elsewhere is None
    assert radsec_looks(seen(of)) == ()


def test_who_came_no_further_than_the_hello_was_not_inside() -> None:
    """The plan's certificate was shown to nobody, so nobody refused it."""
    of = radsec_plan(inside=True)
    survey = seen(of, {"radsec/quay1/": Outcome.REFUSED}, depth=Depth.NODE)
    look = radsec_looks(survey)[0]
    assert (look.inside, look.versions) == (None, ())
    assert look.versions_refused == ("TLSv1", "TLSv1.1", "TLSv1.2", "TLSv1.3")


def test_how_to_see_it() -> None:
    """By the planned address and the server name that was sent; of what is inside there is none."""
    (finding,) = at_quay3(leaf(days=20)).findings
    assert finding.evidence[-1].value == (
        "openssl s_client -connect 192.0.2.13:2083 -servername radsec.northpier.example -showcerts"
        " </dev/null"
    )
    of = radsec_plan(inside=True)
    inside = judged(of, seen(of, {"quay3/192.0.2.13:2083/inside": ended(Outcome.CUT_OFF)}))
    (row,) = inside.findings[0].evidence
    assert row.value == "cut-off; it asks for certificates of CN=Northpier Issuing"
    assert (row.what, row.how) == (
        "quay3 at 192.0.2.13, port 2083",
        ("with", "the plan's certificate"),
    )
