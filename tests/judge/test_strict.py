"""Strict transport: reading the header, whose policy holds, and what becomes of warnings."""

import pytest

from probe.assessment import Verdict
from probe.judge.strict import Policy, holder, read
from probe.observation.model import HttpSeen, Survey
from probe.records import replace
from tests.judge.world import (
    GUEST,
    HOSTS,
    NODES,
    clients,
    host,
    judged,
    noted,
    plan,
    public,
    seen,
    told,
    with_public,
)


@pytest.mark.parametrize(
    ("header", "policy"),
    [
        # RFC 6797, 6.2: its own examples.
        ("max-age=31536000", Policy(31_536_000, False)),
        ("max-age=15768000 ; includeSubDomains", Policy(15_768_000, True)),
        ('max-age="31536000"', Policy(31_536_000, False)),
        ("max-age=0", None),
        ("max-age=0; includeSubDomains", None),
        # 6.1: names of directives in any case, unknown ones are passed over, empty ones allowed.
        ("MAX-AGE=60; INCLUDESUBDOMAINS; preload;;", Policy(60, True)),
        # max-age is required, and none may stand there twice.
        ("includeSubDomains", None),
        ("max-age=60; max-age=70", None),
        ("max-age=-1", None),
        ("max-age", None),
        ("max-age=" + "9" * 400, None),
        ("", None),
    ],
)
def test_the_header_is_read_as_browsers_do(header: str, policy: Policy | None) -> None:
    assert read(header) == policy


def test_a_parent_holds_for_names_below_only_if_it_says_so() -> None:
    known = {"northpier.example": Policy(60, True), "harbour.example": Policy(60, False)}
    assert holder(known, "a.b.northpier.example") == "northpier.example"
    assert holder(known, "northpier.example") == "northpier.example"
    assert holder(known, "www.harbour.example") is None
    assert holder(known, "outerpier.example") is None


def asking(survey: Survey, header: str, *names: str) -> Survey:
    """Let answers by these names carry the header."""
    return replace(
        survey,
        handshakes=tuple(
            replace(r, http=HttpSeen(200, None, header)) if r.asked.name in names else r
            for r in survey.handshakes
        ),
    )


WRONG = {"web/quay3": with_public(public(*(h for h in HOSTS if h != host("quay3")), GUEST))}


def test_under_strict_transport_a_warning_blocks_browsers() -> None:
    of = plan(clients=clients("chromium-web", "firefox-web"))
    for header, verdict, notes in (
        ("max-age=86400", Verdict.BLOCKED, [("web-hsts", ("quay3",))]),
        ("max-age=0", Verdict.WARNED, []),
    ):
        survey = asking(seen(of, web=WRONG), header, host("quay3"))
        result = judged(of, survey)
        assert told(result) == [("web-name-mismatch", "web", ("quay3",), host("quay3"))]
        (finding,) = result.findings
        assert finding.verdict is verdict
        assert noted(result) == notes
        assert ("RFC 6797" in finding.source) == (verdict is Verdict.BLOCKED)
        assert finding.reactions[0].words == "NET::ERR_CERT_COMMON_NAME_INVALID"


def test_under_another_name_nothing_changes() -> None:
    of = plan(clients=clients("chromium-web"))
    survey = asking(seen(of, web=WRONG), "max-age=86400", GUEST)
    assert [f.verdict for f in judged(of, survey).findings] == [Verdict.WARNED]


def test_what_no_browser_minds_stays_as_it_is() -> None:
    """Healthy, and worth a note: nobody there can click a warning away."""
    survey = asking(seen(plan()), "max-age=31536000; includeSubDomains", GUEST, *HOSTS)
    result = judged(plan(), survey)
    assert told(result) == []
    assert noted(result) == [("web-hsts", NODES), ("web-hsts", NODES)]
    assert {note.name for note in result.notes} == {None, GUEST}
    assert any("365 days" in note.says for note in result.notes)
