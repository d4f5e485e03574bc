"""The JSON document: every key, in order, whatever was seen."""

import base64
import json
import unicodedata
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from probe.assessment import Assessment, Evidence, NodeVerdict, Verdict
from probe.certificate.facts import facts_of
from probe.observation.model import (
    EapSeen,
    Endpoint,
    HandshakeAsk,
    LookupOutcome,
    Method,
    Outcome,
    Phase,
    Question,
    Token,
    Trial,
    TrialKind,
)
from probe.records import replace
from probe.report.document import pem, rfc3339, to_json
from probe.report.schema.generate import schema
from tests.report.build import (
    AT,
    CLOSED,
    EAP_CA,
    EAP_LEAF,
    answer,
    eap_question,
    handshake,
    healthy,
    lookup_question,
    troubled,
    web_question,
)
from tests.report.hostile import HOSTILE, LONG, poisoned


def document(assessment: Assessment) -> Any:
    return json.loads(to_json(assessment))


def with_survey(assessment: Assessment, **changes: Any) -> Assessment:
    return replace(assessment, survey=replace(assessment.survey, **changes))


@pytest.mark.parametrize(
    ("path", "keys"),
    [
        (
            (),
            "format tool catalogue plan roots taken judged_at verdict complete interrupted unseen "
            "nodes certificates findings notes since expected decided",
        ),
        (("nodes", 0), "name verdict endpoints lookups verdicts"),
        (
            ("nodes", 0, "endpoints", 0),
            "id endpoint address port name asked outcome phase detail alert method tls cipher "
            "key_family key_proven chain round_trips seconds proposed client_authorities trials "
            "login radsec",
        ),
        (
            ("nodes", 0, "lookups", 0),
            "resolver view name type outcome aliases data ttl dnssec detail",
        ),
        (
            ("findings", 0),
            "id rule verdict endpoint nodes name addresses certificates clients reactions due "
            "folded accepted says evidence remedy source basis",
        ),
        (("findings", 0, "reactions", 0), "client setup reaction words"),
        (("findings", 0, "evidence", 0), "what value observation"),
        (("notes", 0), "rule endpoint nodes name says source"),
        (
            ("certificates", EAP_LEAF.sha256),
            "subject issuer serial names not_before not_after key signature public oddities pem",
        ),
    ],
)
def test_the_keys_are_those_of_the_contract_in_its_order(
    path: tuple[str | int, ...], keys: str
) -> None:
    part = document(troubled())
    for step in path:
        part = part[step]
    assert " ".join(part) == keys


def test_what_was_tried_after_a_failure_stands_with_it() -> None:
    survey = healthy().survey
    first = next(record for record in survey.handshakes if record.endpoint is Endpoint.EAP)
    failed = replace(
        first,
        outcome=Outcome.SILENT,
        served=None,
        eap=EapSeen(client_authorities=("CN=Northpier Devices",), proposed=("EAP-FAST", "PEAP")),
        trials=(
            Trial(TrialKind.STATUS_SERVER, Outcome.SILENT, "no reply within 2 s", seconds=2.0),
            Trial(TrialKind.UNCONNECTED, Outcome.SERVED, "Access-Challenge", "192.0.2.99"),
        ),
    )
    others = tuple(record for record in survey.handshakes if record is not first)
    entries = document(with_survey(healthy(), handshakes=(failed, *others)))["nodes"][0]
    entry = next(one for one in entries["endpoints"] if one["id"] == first.question)
    assert entry["proposed"] == ["EAP-FAST", "PEAP"]
    assert entry["client_authorities"] == ["CN=Northpier Devices"]
    assert entry["trials"] == [
        {
            "kind": "status-server",
            "outcome": "silent",
            "detail": "no reply within 2 s",
            "replied_from": None,
        },
        {
            "kind": "unconnected",
            "outcome": "served",
            "detail": "Access-Challenge",
            "replied_from": "192.0.2.99",
        },
    ]


def test_one_visit_is_written_out_whole() -> None:
    entries = document(healthy())["nodes"][0]["endpoints"]
    assert entries[0] == {
        "id": "eap/quay1/192.0.2.11:1812/PEAP",
        "endpoint": "eap",
        "address": "192.0.2.11",
        "port": 1812,
        "name": None,
        "asked": {
            "server_name": None,
            "method": "PEAP",
            "key_family": None,
            "tls": ["TLSv1.2", "TLSv1.3"],
            "visit": None,
            "aspect": None,
        },
        "outcome": "served",
        "phase": "finish",
        "detail": None,
        "alert": None,
        "method": "PEAP",
        "tls": "TLSv1.2",
        "cipher": "ECDHE-RSA-AES256-GCM-SHA384",
        "key_family": "rsa",
        "key_proven": True,
        "chain": [EAP_LEAF.sha256, EAP_CA.sha256],
        "round_trips": 5,
        "seconds": 0.0203,
        "proposed": ["PEAP"],
        "client_authorities": None,
        "trials": [],
        "login": None,
        "radsec": None,
    }


def test_one_finding_is_written_out_whole() -> None:
    expiring = document(troubled())["findings"][2]
    expiring["certificates"] = len(expiring["certificates"])
    assert expiring == {
        "id": "web-expiring/web/quay1,quay2,quay4/30aa",
        "rule": "web-expiring",
        "verdict": "due",
        "endpoint": "web",
        "nodes": ["quay1", "quay2", "quay4"],
        "name": None,
        "addresses": [],
        "certificates": 1,
        "clients": ["chromium-web", "apple-web"],
        "reactions": [
            {
                "client": "chromium-web",
                "setup": None,
                "reaction": "warns",
                "words": "NET::ERR_CERT_DATE_INVALID",
            },
            {"client": "apple-web", "setup": None, "reaction": "warns", "words": None},
        ],
        "due": "2026-12-09T12:00:00Z",
        "folded": [],
        "accepted": {
            "reason": "the renewal is ordered",
            "until": "2026-12-01T23:59:59Z",
            "expired": False,
        },
        "says": "The web certificate of quay1, quay2 and quay4 ends in 14 days.",
        "evidence": [{"what": "ends", "value": "2026-12-09 12:00 UTC", "observation": None}],
        "remedy": "Renew it and import it on every node.",
        "source": "RFC 5280, 4.1.2.5",
        "basis": "published",
    }


def test_every_answer_is_a_row_of_evidence_with_its_question() -> None:
    """A reader is told "opened as a and b"; a program finds the answer to each."""
    rows = tuple(
        Evidence("quay3 at 192.0.2.13, port 443", "closed", f"web/{name}", ("opened as", name))
        for name in ("a", "b")
    )
    written = document(replace(troubled(), findings=(replace(CLOSED, evidence=rows),)))
    assert [row["what"] for row in written["findings"][0]["evidence"]] == [
        "quay3 at 192.0.2.13, port 443, opened as a",
        "quay3 at 192.0.2.13, port 443, opened as b",
    ]
    assert [row["observation"] for row in written["findings"][0]["evidence"]] == ["web/a", "web/b"]


def test_the_frame_says_what_was_judged_when() -> None:
    written = document(troubled())
    assert written["format"] == "probe-report/1"
    assert written["tool"].startswith("cluster-probe")
    assert written["plan"] == {"name": "Northpier Ferries network access", "nodes": 4}
    assert written["roots"][1] == {"name": "pki/northpier-root.pem", "version": None, "count": 1}
    assert written["taken"] == [
        {
            "from": "pier-admin",
            "vantage": "head office",
            "began": "2026-11-25T01:47:06Z",
            "ended": "2026-11-25T01:47:08Z",
        }
    ]
    assert written["judged_at"] == "2026-11-25T01:47:08Z"
    assert (written["verdict"], written["complete"], written["interrupted"]) == (
        "blocked",
        False,
        False,
    )
    assert written["unseen"] == ["eap/quay2/192.0.2.12:1812/EAP-TLS"]


def test_a_question_that_nobody_answered_is_an_entry_with_nothing_known() -> None:
    entry = next(
        item
        for item in document(troubled())["nodes"][1]["endpoints"]
        if item["id"] == "eap/quay2/192.0.2.12:1812/EAP-TLS"
    )
    asked = entry.pop("asked")
    assert asked["method"] == "EAP-TLS"
    assert [entry.pop(key) for key in ("chain", "proposed", "trials")] == [[], [], []]
    known = {"id", "endpoint", "address", "port"}
    assert {key for key, value in entry.items() if value is not None} == known


def test_a_lookup_that_was_not_seen_through_is_there_too() -> None:
    asked = lookup_question(("quay1",), "quay1.northpier.example", "AAAA")
    base = healthy()
    written = document(with_survey(base, questions=(*base.survey.questions, asked)))
    assert written["nodes"][0]["lookups"][1] == {
        "resolver": "10.0.9.53",
        "view": "guest",
        "name": "quay1.northpier.example",
        "type": "AAAA",
        "outcome": None,
        "aliases": [],
        "data": [],
        "ttl": None,
        "dnssec": None,
        "detail": None,
    }


def test_what_speaks_of_several_nodes_stands_at_the_first_of_them_only() -> None:
    virtual = replace(
        web_question("guest", "192.0.2.80", "guest.northpier.example"), nodes=("quay3", "quay2")
    )
    name = lookup_question(("quay2", "quay3"), "guest.northpier.example")
    base = healthy()
    written = document(
        with_survey(
            base,
            questions=(*base.survey.questions, virtual, name),
            lookups=(*base.survey.lookups, answer(name, outcome=LookupOutcome.NO_DATA, data=())),
        )
    )
    at = [
        node["name"]
        for node in written["nodes"]
        if any(entry["id"] == virtual.id for entry in node["endpoints"])
    ]
    assert at == ["quay3"]
    counts = [len(node["lookups"]) for node in written["nodes"]]
    assert counts == [1, 2, 1, 1]


def test_a_name_with_several_addresses_has_an_entry_for_each_in_order() -> None:
    asked = Question(
        "eap/quay1/dns:1812/PEAP",
        Endpoint.EAP,
        ("quay1",),
        handshake=HandshakeAsk(None, 1812, methods=(Method.PEAP,)),
    )
    records = tuple(
        handshake(asked, EAP_LEAF, asked=HandshakeAsk(address, 1812, methods=(Method.PEAP,)))
        for address in ("2001:db8::11", "192.0.2.9")
    )
    base = healthy(1)
    written = document(with_survey(base, questions=(asked,), handshakes=records, lookups=()))
    entries = written["nodes"][0]["endpoints"]
    assert [entry["address"] for entry in entries] == ["192.0.2.9", "2001:db8::11"]
    assert {entry["id"] for entry in entries} == {"eap/quay1/dns:1812/PEAP"}


def test_entries_stand_by_endpoint_address_port_and_question() -> None:
    base = healthy(1)
    questions = (
        web_question("quay1", "192.0.2.12", "quay1.northpier.example"),
        web_question("quay1", "192.0.2.11", "quay1.northpier.example"),
        web_question("quay1", "192.0.2.11", "guest.northpier.example"),
        eap_question("quay1", "192.0.2.12"),
    )
    written = document(with_survey(base, questions=questions, handshakes=(), lookups=()))
    assert [entry["id"] for entry in written["nodes"][0]["endpoints"]] == [
        "eap/quay1/192.0.2.12:1812/PEAP",
        "web/quay1/192.0.2.11:443/guest.northpier.example",
        "web/quay1/192.0.2.11:443/quay1.northpier.example",
        "web/quay1/192.0.2.12:443/quay1.northpier.example",
    ]


def test_an_outcome_of_a_later_version_is_passed_on() -> None:
    base = healthy(1)
    eap = base.survey.questions[2]
    later: Token = Outcome("lost-at-sea")
    record = handshake(eap, outcome=later, phase=Phase.HELLO, detail="gone", alert="access_denied")
    (entry,) = document(with_survey(base, questions=(eap,), handshakes=(record,), lookups=()))[
        "nodes"
    ][0]["endpoints"]
    assert (entry["outcome"], entry["phase"]) == ("lost-at-sea", "hello")
    assert (entry["detail"], entry["alert"], entry["chain"]) == ("gone", "access_denied", [])


def test_a_certificate_that_cannot_be_read_has_nulls_and_its_octets() -> None:
    base = healthy()
    unreadable = replace(facts_of(b"junk"), sha256=EAP_LEAF.sha256)
    written = document(replace(base, facts={**base.facts, EAP_LEAF.sha256: unreadable}, public={}))[
        "certificates"
    ][EAP_LEAF.sha256]
    octets = written.pop("pem")
    assert "DER of radius.northpier.example" in str(base64.b64decode(octets.split("\n")[1]))
    assert written == {
        "subject": None,
        "issuer": None,
        "serial": None,
        "names": [],
        "not_before": None,
        "not_after": None,
        "key": None,
        "signature": None,
        "public": "unknown",
        "oddities": ["no certificate: the certificate at offset 0 runs 115 octets past its end"],
    }


def test_an_empty_subject_is_not_an_unknown_one() -> None:
    base = healthy()
    nameless = replace(EAP_LEAF, subject="")
    written = document(replace(base, facts={**base.facts, EAP_LEAF.sha256: nameless}))
    assert written["certificates"][EAP_LEAF.sha256]["subject"] == ""


def test_certificates_are_pem_of_64_columns() -> None:
    """RFC 7468, 2 and 3."""
    written = pem(bytes(range(100)))
    lines = written.split("\n")
    assert [len(line) for line in lines] == [27, 64, 64, 8, 25, 0]
    assert base64.b64decode("".join(lines[1:-2])) == bytes(range(100))


def test_times_are_whole_seconds_in_utc_of_any_year() -> None:
    assert rfc3339(AT) == "2026-11-25T01:47:08Z"
    assert rfc3339(AT.replace(year=1)) == "0001-11-25T01:47:08Z"
    assert rfc3339(AT.replace(year=9999)) == "9999-11-25T01:47:08Z"


def test_the_same_assessment_is_the_same_text_with_one_final_newline() -> None:
    text = to_json(troubled())
    assert text == to_json(troubled())
    assert text.endswith("}\n")
    assert not text.endswith("\n\n")


def test_nothing_seen_is_a_whole_document() -> None:
    base = healthy()
    nothing = replace(
        with_survey(base, questions=(), lookups=(), handshakes=(), certificates={}, taken=()),
        facts={},
        served=(),
        nodes=(NodeVerdict("quay1", Verdict.UNSEEN),),
    )
    written = document(nothing)
    assert written["nodes"] == [
        {"name": "quay1", "verdict": "unseen", "endpoints": [], "lookups": [], "verdicts": {}}
    ]
    assert (written["certificates"], written["taken"]) == ({}, [])


@pytest.mark.parametrize("text", [HOSTILE, LONG], ids=["control", "long"])
def test_text_off_the_wire_is_unaltered_and_harms_no_terminal(text: str) -> None:
    """Only what is no UTF-8 becomes U+FFFD; control characters are spelled as JSON can."""
    base = troubled()
    hostile = replace(
        base,
        facts={
            sha256: replace(item, subject=item.subject + text, oddities=(text,))
            for sha256, item in base.facts.items()
        },
        findings=poisoned(base.findings, text, spare=frozenset({"certificates"})),
        notes=poisoned(base.notes, text),
    )
    raw = to_json(hostile)
    assert not {unicodedata.category(c) for c in raw.replace("\n", "")} & {"Cc", "Cf", "Zl", "Cs"}
    written = json.loads(raw)
    Draft202012Validator(schema("probe-report/1")).validate(written)
    expected = text.replace("\udc80", "\ufffd")
    assert written["certificates"][EAP_LEAF.sha256]["oddities"] == [expected]
    assert written["certificates"][EAP_LEAF.sha256]["subject"] == EAP_LEAF.subject + expected
    assert written["findings"][0]["evidence"][0]["what"] == "subject" + expected
