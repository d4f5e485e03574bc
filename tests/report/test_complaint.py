"""The answer to a complaint: the screen as it was read, and the document."""

import json
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from probe.assessment import Evidence, Verdict
from probe.complaint import (
    Advice,
    AlsoFound,
    Answer,
    Cause,
    ClientSide,
    Complaint,
    Heard,
    LogAlert,
    Recognised,
    Shown,
    Source,
    Standing,
    Whose,
    Words,
)
from probe.observation.model import Endpoint
from probe.records import replace
from probe.report.complaint_document import complaint_to_json
from probe.report.schema.generate import path
from probe.report.terminal import render_complaint
from tests.report.build import AT, CLOSED, ODD_LEAF, SELF_SIGNED, healthy, troubled
from tests.report.hostile import HOSTILE, poisoned

SCREENS = Path(__file__).parent / "screens"
WORDS = Words(
    "windows",
    "Can't connect to this network",
    None,
    ("the server stays silent", "its root is not known"),
    ("eap-silent", "eap-self-signed"),
    "[memory]",
)
SELF = Cause(
    rule="eap-self-signed",
    standing=Standing.CONFIRMED,
    says=SELF_SIGNED.says,
    verdict=Verdict.BLOCKED,
    endpoint=Endpoint.EAP,
    nodes=("quay4",),
    clients=("windows-eap",),
    evidence=SELF_SIGNED.evidence,
    remedy=SELF_SIGNED.remedy,
    source="RFC 5216, 5.3 (published)",
    finding=SELF_SIGNED.id,
    came_and_went="access points of the ferry terminal ask quay4 after quay1 alone: who meets it"
    " depends on whether quay1 answers.",
)
POSSIBLE = Cause(
    rule="eap-rejected-early",
    standing=Standing.POSSIBLE,
    says="quay2 may reject this person before TLS begins.",
    nodes=("quay2",),
    decides="the server's log at that time, or one login with a test account (probe node --login).",
)
OUT = Cause(
    rule="eap-name-unexpected",
    standing=Standing.RULED_OUT,
    says="The name in the certificate is the one that supplicants expect, at all nodes.",
    nodes=("quay1", "quay2", "quay3", "quay4"),
)


def answer(**changes: object) -> Answer:
    usual = Answer(
        first="At quay4, EAP serves a certificate that is its own issuer: Windows refuses it.",
        complaint=Complaint(
            saw=("can't connect to this network",),
            clients=("laptop",),
            wifi=True,
            site="ferry terminal",
            shown=Shown("quay4.northpier.example", expiry=date(2027, 4, 24)),
            log=(LogAlert("unknown_ca", True, 3, AT, AT), LogAlert("bad_certificate", False)),
        ),
        heard=(
            Heard("can't connect to this network", (WORDS,)),
            Heard("to this network", (WORDS,), partly=True),
            Heard("oops", (), unspecific=True),
            Heard("SEC_ERROR_UNKNOWN_ISUER", (), nearest=("SEC_ERROR_UNKNOWN_ISSUER",)),
        ),
        families=("windows-eap",),
        nodes=("quay1", "quay4"),
        why_nodes="quay1, then quay4: the order in which the ferry terminal asks them",
        endpoints=(Endpoint.EAP,),
        causes=(SELF, POSSIBLE, OUT),
        also=(
            AlsoFound(CLOSED.id, CLOSED.rule, Verdict.BLOCKED, ("quay3",), CLOSED.says),
            AlsoFound("x", "eap-silent", Verdict.BLOCKED, ("quay2",), "quay2 is silent.", True),
        ),
        client_side=(
            ClientSide("the clock of the device is wrong", "What date and time does it show?"),
        ),
        contradictions=("An alert that the server sent speaks of the client's certificate.",),
        recognised=Recognised(
            Whose.OURS, "The certificate shown is one of ours.", (ODD_LEAF.sha256,), ("quay4",)
        ),
        advice=Advice(
            (
                "The network's server at quay4 shows the wrong certificate, which is being mended.",
                "Please do not connect until we tell you.",
            ),
            safe=False,
            why="nobody vouches for this certificate, so somebody else could show one like it.",
        ),
        assessment=troubled(),
        then=None,
        verdict=Verdict.BLOCKED,
    )
    return replace(usual, **changes)  # type: ignore[arg-type]


EARLIER = datetime(2026, 11, 24, 14, 10, tzinfo=UTC)
FIXED = answer(
    first="At quay4 EAP served a certificate that was its own issuer; fixed since 15:00.",
    complaint=Complaint(saw=("can't connect to this network",), when=EARLIER),
    heard=(Heard("can't connect to this network", (WORDS,)),),
    families=(),
    causes=(replace(SELF, then=True, fixed_since=AT, came_and_went=None),),
    also=(),
    contradictions=(),
    recognised=Recognised(
        Whose.UNKNOWN, "THE CERTIFICATE SHOWN IS NOT OURS: take it for somebody else's server."
    ),
    assessment=healthy(),
    then=replace(troubled(), judged_at=EARLIER),
    verdict=Verdict.SOUND,
    source=Source.HISTORY,
)
NOTHING = answer(
    first="Nothing on the wire explains this.",
    complaint=Complaint(saw=("can't connect",), when=EARLIER),
    heard=(),
    causes=(OUT,),
    also=(),
    contradictions=(),
    recognised=Recognised(Whose.NOT_TOLD, "Nothing was told of the certificate."),
    assessment=healthy(),
    verdict=Verdict.SOUND,
)
MADE = {"confirmed": answer(), "fixed": FIXED, "nothing": NOTHING}


@pytest.mark.parametrize("name", MADE)
def test_the_screen_is_the_one_that_was_read(name: str) -> None:
    kept = SCREENS / f"complaint-{name}-80.txt"
    assert render_complaint(MADE[name]) == kept.read_text("utf-8")


@pytest.mark.parametrize("width", [40, 60, 120])
def test_every_width_says_the_same(width: int) -> None:
    def said(text: str) -> str:
        return "".join(text.split())  # a long word is broken where a line ends

    narrow = render_complaint(answer(), width=width)
    assert said(narrow) == said(render_complaint(answer()))
    assert max(map(len, narrow.splitlines())) <= width


def test_colour_only_repeats_what_the_words_say() -> None:
    coloured = render_complaint(answer(), colour=True)
    assert "\x1b[" in coloured
    assert "NO" in render_complaint(answer())


@pytest.mark.parametrize("name", MADE)
def test_what_is_hostile_stays_text(name: str) -> None:
    made = MADE[name]
    made = replace(
        made,
        **{
            field: poisoned(getattr(made, field), HOSTILE)
            for field in (
                "first",
                "heard",
                "why_nodes",
                "causes",
                "also",
                "client_side",
                "contradictions",
                "recognised",
                "advice",
            )
        },
    )
    shown = render_complaint(made)
    assert not set(shown) & set("\x1b\x07\x9b\u202e\u200b\u2028\r")
    assert "[bold red]x[/]" in " ".join(shown.split())


def test_many_of_each_are_counted() -> None:
    evidence = tuple(Evidence(f"what {number}", "seen", None) for number in range(9))
    causes = tuple(replace(SELF, evidence=evidence, name=f"n{number}") for number in range(20))
    shown = render_complaint(answer(causes=causes))
    assert "and 5 more, in the JSON document" in shown
    assert "and 12 more confirmed, in the JSON document" in shown


@pytest.mark.parametrize("name", MADE)
def test_the_document_fits_its_schema(name: str) -> None:
    document = json.loads(complaint_to_json(MADE[name]))
    Draft202012Validator(json.loads(path("probe-complaint/1").read_text("utf-8"))).validate(
        document
    )


def test_the_document_says_what_the_answer_says() -> None:
    document = json.loads(complaint_to_json(answer()))
    assert document["first"] == answer().first
    assert document["verdict"] == "blocked"
    assert document["source"] == "network"
    assert [(one["rule"], one["standing"]) for one in document["causes"]] == [
        ("eap-self-signed", "confirmed"),
        ("eap-rejected-early", "possible"),
        ("eap-name-unexpected", "ruled-out"),
    ]
    assert [(one["said"], one["partly"]) for one in document["heard"][:2]] == [
        ("can't connect to this network", False),
        ("to this network", True),
    ]
    assert [one["elsewhere"] for one in document["also"]] == [False, True]
    assert document["told"]["shown"]["expiry"] == "2027-04-24"
    assert document["told"]["alerts"][1] == {
        "alert": "bad_certificate",
        "received": False,
        "times": 1,
        "first": None,
        "last": None,
    }
    assert {one["id"] for one in document["findings"]} == {SELF_SIGNED.id, CLOSED.id}
    assert set(document["certificates"]) == {ODD_LEAF.sha256}


def test_a_finding_of_the_time_of_the_complaint_is_in_the_document() -> None:
    document = json.loads(complaint_to_json(FIXED))
    assert [one["id"] for one in document["findings"]] == [SELF_SIGNED.id]
    assert document["then_judged_at"] == "2026-11-24T14:10:00Z"
    assert document["causes"][0]["fixed_since"] == "2026-11-25T01:47:08Z"
