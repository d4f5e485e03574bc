"""What is new, gone or changed since the last time: on the first screen and in the document."""

import json
from datetime import timedelta

from jsonschema import Draft202012Validator

from probe.assessment import Altered, Assessment, Change, Folded, Since, Verdict
from probe.observation.model import Endpoint
from probe.records import replace
from probe.report.document import to_json
from probe.report.schema.generate import schema
from probe.report.terminal import render
from tests.report.build import AT, EAP_LEAF, WEB_LEAF, healthy, sha, troubled
from tests.report.hostile import HOSTILE

LAST = AT - timedelta(days=1)
RENEWED = Change(
    Endpoint.WEB,
    ("quay2",),
    ("guest.northpier.example",),
    "certificate",
    (sha("an older one"),),
    (WEB_LEAF.sha256,),
    'quay2 serves over HTTPS the certificate "guest.northpier.example" until 2027-03-01, in place'
    " of one until 2026-12-01.",
)


def with_since(assessment: Assessment, **changes: object) -> Assessment:
    since = Since(LAST, LAST, 54, (), (), (), ())
    return replace(assessment, since=replace(since, **changes))  # type: ignore[arg-type]


def last_time(assessment: Assessment) -> str:
    """Return the lines of the first screen under "Last time", as one."""
    screen = render(assessment).split("\n\nWhat is served")[0]
    return " ".join(screen.partition("  Last time")[2].split())


def test_without_an_earlier_run_nothing_is_said() -> None:
    assert "Last time" not in render(healthy())
    assert json.loads(to_json(healthy()))["since"] is None


def test_that_nothing_has_changed_is_said() -> None:
    assert last_time(with_since(healthy())) == (
        "2026-11-24 01:47:08 UTC; since then nothing has changed"
    )


def test_of_what_was_not_asked_no_sameness_is_claimed() -> None:
    cut_off = replace(healthy(), unseen=("eap/quay4/192.0.2.14:1812/PEAP",))
    assert last_time(with_since(cut_off)) == (
        "2026-11-24 01:47:08 UTC; since then nothing has changed, as far as was seen now"
    )


def test_what_is_new_altered_gone_and_seen_otherwise() -> None:
    first, second, *_ = troubled().findings
    assessment = with_since(
        troubled(),
        appeared=(first.id,),
        altered=(Altered(second.id, Verdict.DUE, ("quay1",)),),
        gone=(Folded("x", "eap-expired", "It was expired.", ("quay2", "quay3")),),
        changes=(RENEWED,),
    )
    assert last_time(assessment) == (
        "2026-11-24 01:47:08 UTC; since then new [1]; altered [2]; gone eap-expired at quay2 and"
        f" quay3; and seen otherwise: {RENEWED.says}"
    )
    assert last_time(with_since(healthy(), changes=(RENEWED,))) == (
        f"2026-11-24 01:47:08 UTC; since then seen otherwise: {RENEWED.says}"
    )


def test_many_changes_leave_room_for_the_rest_of_the_screen() -> None:
    assert last_time(with_since(healthy(), changes=(RENEWED,) * 9)).endswith(
        "and 3 more, in the JSON document"
    )


def test_the_document_has_all_of_it_and_fits_its_schema() -> None:
    changes = tuple(replace(RENEWED, nodes=(f"quay{n}",)) for n in range(9))
    gone = (Folded("x", "eap-expired", "It was expired.", ("quay2",)),)
    altered = (Altered(troubled().findings[0].id, Verdict.DUE, ("quay1",)),)
    found = with_since(troubled(), changes=changes, gone=gone, altered=altered)
    document = json.loads(to_json(found))
    Draft202012Validator(schema("probe-report/1")).validate(document)
    since = document["since"]
    assert (since["last"], since["compared"]) == ("2026-11-24T01:47:08Z", 54)
    assert [change["nodes"] for change in since["changes"]] == [[f"quay{n}"] for n in range(9)]
    assert since["changes"][0]["after"] == [WEB_LEAF.sha256]
    assert since["altered"][0]["was"] == "due"
    assert since["gone"][0]["rule"] == "eap-expired"


def test_text_off_the_wire_stays_one_visible_line() -> None:
    hostile = replace(RENEWED, says=HOSTILE, after=(EAP_LEAF.sha256,))
    for text in (render(with_since(healthy(), changes=(hostile,))),):
        assert "\x1b" not in text
        assert "\u202e" not in text
