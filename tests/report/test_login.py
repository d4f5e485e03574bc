"""How a login ended, on the screen as it was read and found good, and in the document."""

import json
from pathlib import Path

import pytest

from probe.assessment import Assessment
from probe.observation.model import (
    Aspect,
    Endpoint,
    HandshakeAsk,
    LoginSeen,
    Method,
    Outcome,
    Question,
)
from probe.records import replace
from probe.report.document import to_json
from probe.report.terminal import render
from tests.report.build import handshake, healthy
from tests.report.hostile import HOSTILE

SCREENS = Path(__file__).parent / "screens"

ACCEPTED = LoginSeen(
    sent=True,
    accepted=True,
    inner="MSCHAPv2",
    attributes=(
        ("Tunnel-Type", "VLAN"),
        ("Tunnel-Medium-Type", "IEEE-802"),
        ("Tunnel-Private-Group-ID", "quayside"),
    ),
    keys_agree=True,
    resumable=False,
)
REJECTED = LoginSeen(
    sent=True,
    accepted=False,
    detail="MSCHAPv2 error 691 (authentication failure)",
    inner="MSCHAPv2",
    attributes=(("Reply-Message", "No such account on board"),),
)
NOT_SENT = LoginSeen(
    sent=False,
    detail="the server is not approved of: no entry is radius.northpier.example; the certificate"
    " covers radius.another.example",
)


def logged_in(seen: LoginSeen, outcome: Outcome = Outcome.SERVED) -> Assessment:
    """One node that was looked at, and then logged in to."""
    ask = HandshakeAsk("192.0.2.11", 1812, methods=(Method.PEAP,), aspect=Aspect.LOGIN)
    question = Question(
        "eap/quay1/192.0.2.11:1812/login", Endpoint.EAP, ("quay1",), None, None, ask
    )
    before = healthy(1)
    survey = replace(
        before.survey,
        questions=(*before.survey.questions, question),
        handshakes=(
            *before.survey.handshakes,
            handshake(question, login=seen, outcome=outcome),
        ),
    )
    return replace(before, survey=survey)


@pytest.mark.parametrize(
    ("name", "seen"), [("accepted", ACCEPTED), ("rejected", REJECTED), ("not-sent", NOT_SENT)]
)
def test_a_login_is_told_as_it_was_when_it_was_read(name: str, seen: LoginSeen) -> None:
    shown = render(logged_in(seen), width=80)
    part = "Login\n" + shown.split("\nLogin\n")[1].split("\n\n")[0] + "\n"
    assert part == (SCREENS / f"login-{name}.txt").read_text("utf-8")


def test_only_an_accepted_login_takes_back_that_none_is_proven() -> None:
    assert "does not prove that a login succeeds" in " ".join(render(healthy()).split())
    assert "does not prove that a login succeeds" in " ".join(render(logged_in(REJECTED)).split())
    assert "The login proves the way for its own account" in render(logged_in(ACCEPTED))


@pytest.mark.parametrize(
    ("agree", "said"),
    [(True, "the same on both sides"), (False, "another one"), (None, "no key material came")],
)
def test_what_became_of_the_keys_is_said(agree: bool | None, said: str) -> None:
    shown = " ".join(render(logged_in(replace(ACCEPTED, keys_agree=agree))).split())
    assert said in shown


def test_what_a_server_says_of_a_login_stays_text() -> None:
    seen = replace(ACCEPTED, detail=HOSTILE, inner=HOSTILE, attributes=((HOSTILE, HOSTILE),))
    shown = render(logged_in(seen))
    assert not {"\x1b", "\x07", "\x9b", "\u202e", "\u2028"} & set(shown)


def test_a_reply_with_many_attributes_does_not_fill_the_screen() -> None:
    seen = replace(ACCEPTED, attributes=tuple(("Class", str(n)) for n in range(200)))
    shown = render(logged_in(seen))
    assert "Class=11" in shown
    assert "Class=12" not in shown
    assert "and 188 more attributes, in" in shown


def test_the_document_has_the_login_whole() -> None:
    document = json.loads(to_json(logged_in(REJECTED)))
    (login,) = (
        entry["login"] for entry in document["nodes"][0]["endpoints"] if entry["login"] is not None
    )
    assert login == {
        "sent": True,
        "accepted": False,
        "detail": "MSCHAPv2 error 691 (authentication failure)",
        "inner": "MSCHAPv2",
        "attributes": [{"name": "Reply-Message", "value": "No such account on board"}],
        "keys_agree": None,
        "resumable": None,
    }
