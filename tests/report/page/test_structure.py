"""The page as a document: what stands where, and that it needs nothing besides itself."""

import base64
import hashlib
import itertools
import re
from datetime import UTC, datetime

import pytest

from probe.assessment import Accepted, Assessment, Expectation, Headline, Verdict
from probe.observation.model import Endpoint
from probe.records import replace
from probe.report.render import render
from tests.report import build
from tests.report.page.many import many
from tests.report.page.reading import page_of

MEGABYTE = 1_000_000


def test_the_answer_comes_first() -> None:
    page = page_of(build.troubled())
    assert page.one("h1").text == "Clients cannot get on at quay3 and quay4."
    assert page.one("title").text == "Northpier Ferries network access: blocked"
    todo = page.one("div", "todo")
    assert "EAP at quay4" in todo.text
    assert "Bind the certificate of radius.northpier.example to EAP on quay4" in todo.text


@pytest.mark.parametrize(
    ("changed", "sentence"),
    [
        (
            {"verdict": Verdict.SOUND},
            "Nobody is blocked or warned: what was looked at is as it should be.",
        ),
        (
            {"verdict": Verdict.UNSEEN},
            "Nobody is known to be blocked or warned, but not everything was seen.",
        ),
        (
            {"verdict": Verdict.ADVISED},
            "Nobody is known to be blocked or warned; something goes against a rule or good"
            " practice.",
        ),
        (
            {
                "verdict": Verdict.DUE,
                "findings": (build.EXPIRING,),
                "headline": Headline(first=build.EXPIRING.id),
            },
            "Nobody is blocked or warned today; from 2026-12-09 on somebody will be.",
        ),
        (
            {
                "verdict": Verdict.BLOCKED,
                "findings": (build.SELF_SIGNED,),
                "headline": Headline(felt=build.troubled().headline.felt[:1]),
            },
            "windows-eap, android-eap and linux-eap cannot get on, logging in by EAP at quay4.",
        ),
        (
            {
                "verdict": Verdict.WARNED,
                "headline": Headline(
                    felt=(replace(build.troubled().headline.felt[1], verdict=Verdict.WARNED),)
                ),
            },
            "Everybody is shown a warning, opening its pages at quay3.",
        ),
        (
            {
                "verdict": Verdict.BLOCKED,
                "headline": Headline(felt=build.troubled().headline.felt[1:]),
            },
            "Nobody gets on, opening its pages at quay3.",
        ),
    ],
)
def test_one_sentence_says_how_it_stands(changed: dict[str, object], sentence: str) -> None:
    page = page_of(replace(build.healthy(), **changed))  # type: ignore[arg-type]  # fields by name
    assert page.one("h1").text == sentence


def test_who_is_warned_besides_stands_behind_who_is_blocked() -> None:
    blocked, closed = build.troubled().headline.felt
    warned = replace(closed, verdict=Verdict.WARNED, clients=("apple-web",))
    told = {
        (blocked, warned): "; users of apple-web are shown a warning.",
        (blocked, warned, closed): None,
        (blocked, warned, replace(warned, clients=())): "; others are shown a warning.",
    }
    for felt, end in told.items():
        page = page_of(
            replace(build.healthy(), verdict=Verdict.BLOCKED, headline=Headline(felt=felt))
        )
        start = "windows-eap, android-eap and linux-eap cannot get on, logging in by EAP at quay4"
        expected = (
            f"{start}{end}"
            if end
            else (
                "Clients cannot get on at quay3 and quay4; users of apple-web are shown a warning."
            )
        )
        assert page.one("h1").text == expected


def test_an_import_that_did_not_arrive_is_the_answer_where_nobody_feels_it() -> None:
    missed = Expectation("guest.northpier.example", None, None, False, ())
    page = page_of(replace(build.healthy(), verdict=Verdict.WARNED, expected=(missed,)))
    assert page.one("h1").text == (
        "Nobody is blocked or warned, but what was imported is not served as it should be."
    )


def test_consequences_are_grouped_with_the_clients_inside() -> None:
    felt = replace(build.troubled().headline, no_change=("apple-web", "chromium-web"))
    page = page_of(replace(build.troubled(), headline=felt))
    told = {
        group.one("h3").text: [item.text for item in group.all("li") or group.all("p")]
        for group in page.all("div", "group")
    }
    assert told == {
        "Blocked": [
            "Windows 802.1X, Android 802.1X and Linux 802.1X, logging in by EAP at quay4 1",
            "anyone, opening its pages at quay3 2",
        ],
        "Warned": ["nobody, as far as was seen"],
        "Known and accepted": [
            "Chromium browsers and Apple browsers, due 2026-12-09, web at quay1, quay2 and quay4 3"
        ],
        "No change": ["Apple browsers and Chromium browsers, can get on as before"],
    }


def test_who_is_held_up_later_is_told_with_the_day() -> None:
    finding = replace(build.EXPIRING, accepted=None)
    page = page_of(replace(build.healthy(), findings=(finding,), verdict=Verdict.DUE))
    later = page.one("div", "due")
    assert later.one("h3").text == "Blocked or warned later"
    assert later.one("li").text == (
        "chromium-web and apple-web, from 2026-12-09 on, web at quay1, quay2 and quay4 1"
    )


def test_what_else_is_wrong_stands_beside_what_to_do_first() -> None:
    many_more = tuple(
        replace(build.SELF_SIGNED, id=f"more-{number}", says=f"The {number}. thing. " + "W" * 9_000)
        for number in range(5)
    )
    troubled = build.troubled()
    besides = page_of(replace(troubled, findings=(*troubled.findings, *many_more)))
    lines = [one.text for one in besides.one("div", "besides").all("li")]
    others = [f for f in troubled.findings if f.id != troubled.headline.first and f.counts]
    assert [line[:20] for line in lines[: len(others)]] == [one.says[:20] for one in others]
    assert lines[-1] == f"and {len(others) + 5 - 4} more"
    assert max(map(len, lines)) < 300
    assert not page_of(build.healthy()).all("div", "besides")


def test_what_the_plan_accepts_is_neither_wrong_besides_nor_kept_from_who_feels_it() -> None:
    known = replace(
        build.EXPIRING,
        accepted=Accepted("until spring", datetime(2027, 4, 1, tzinfo=UTC), expired=False),
    )
    page = page_of(replace(build.healthy(), findings=(known,)))
    assert not page.all("div", "besides")
    (group,) = [one for one in page.all("div", "group") if "accepted" in one.text]
    assert group.text.startswith("Known and accepted")
    assert "due 2026-12-09, web at" in group.text


def test_where_questions_are_open_nobody_is_said_to_get_on() -> None:
    """A run that was interrupted: no finding speaks of what was not asked."""
    healthy = build.healthy()
    open_ = replace(
        healthy.nodes[1],
        verdict=Verdict.UNSEEN,
        endpoints=((Endpoint.WEB, Verdict.SOUND), (Endpoint.EAP, Verdict.UNSEEN)),
    )
    page = page_of(
        replace(healthy, nodes=(healthy.nodes[0], open_, *healthy.nodes[2:]), complete=False)
    )
    (group,) = [one for one in page.all("div", "group") if "unseen" in one.classes]
    assert group.text == "Not known anyone, using EAP at quay2, of which not all was seen"


def test_where_nothing_was_seen_it_is_not_said_that_all_is_done_and_alike() -> None:
    nothing = replace(
        build.healthy(), verdict=Verdict.UNSEEN, complete=False, served=(), headline=Headline()
    )
    page = page_of(nothing)
    assert page.one("div", "todo").text == "Do first Look again: not every question was answered."
    assert page.one("div", "others").text.endswith("No node, as far as was seen.")
    whole = page_of(build.healthy())
    assert whole.one("div", "todo").text == "Do first Nothing to be done."
    assert whole.one("div", "others").text.endswith("No node: all are alike.")


def test_each_node_says_where_it_is_not_sound() -> None:
    held_up = build.NodeVerdict(
        "quay3",
        Verdict.BLOCKED,
        (
            (Endpoint.DNS, Verdict.SOUND),
            (Endpoint.WEB, Verdict.BLOCKED),
            (Endpoint.EAP, Verdict.DUE),
        ),
    )
    sound = build.healthy()
    page = page_of(replace(sound, nodes=(*sound.nodes[:2], held_up, *sound.nodes[3:])))
    told = [one.text for one in page.one("ul", "nodes").all("li")]
    assert told[1:3] == ["quay2 sound", "quay3 blocked web blocked and EAP due"]


def test_every_finding_stands_with_evidence_and_remedy() -> None:
    page = page_of(build.troubled())
    found = page.all("article", "finding")
    assert [one.attributes["id"] for one in found] == ["finding-1", "finding-2", "finding-3"]
    first, _, accepted = found
    assert first.one("h3").text.startswith("The EAP certificate of quay4 is its own issuer")
    facts = {
        row.one("dt").text: [line.text for line in row.all("dd")]
        for row in first.one("dl").children
    }
    assert facts["to do"] == [build.SELF_SIGNED.remedy]
    assert facts["felt by"] == [
        'Windows 802.1X, set up by profile: blocked, shown "Can\'t connect to this network"',
        "Android 802.1X and Linux 802.1X, set up by profile: blocked",
    ]
    assert facts["seen"][0] == "subject: CN=quay4.northpier.example,O=Northpier Ferries"
    assert facts["source"] == ["RFC 5216, 5.3 (published)"]
    assert facts["explains"][0].startswith("eap-leaf-differs at quay4: quay4 serves another")
    assert "accepted, until 2026-12-01: the renewal is ordered" in accepted.text


def test_an_acceptance_that_has_run_out_is_told() -> None:
    over = Accepted("for now", datetime(2026, 11, 1, tzinfo=UTC), True)
    page = page_of(replace(build.healthy(), findings=(replace(build.CLOSED, accepted=over),)))
    assert "no longer accepted, until 2026-11-01: for now" in page.by_id("finding-1").text


def test_a_line_for_the_shell_stands_by_itself() -> None:
    line = replace(build.CLOSED.evidence[0], what="to see it", value="openssl s_client </dev/null")
    page = page_of(replace(build.healthy(), findings=(replace(build.CLOSED, evidence=(line,)),)))
    assert page.one("code", "command").text == "openssl s_client </dev/null"


def test_much_evidence_is_folded_and_counted() -> None:
    facts = tuple(replace(build.CLOSED.evidence[0], value=str(n)) for n in range(250))
    page = page_of(replace(build.healthy(), findings=(replace(build.CLOSED, evidence=facts),)))
    folded = page.by_id("finding-1").one("details")
    assert folded.one("summary").text == "180 more"
    assert "and 50 more, in the JSON document" in folded.text


def test_notes_stand_apart_from_findings() -> None:
    (note,) = page_of(build.troubled()).one("ul", "notes").all("li")
    assert note.text == (
        "EAP at quay2: One certificate serves both web and EAP. (eap-same-as-web; common practice)"
    )


def test_every_certificate_has_its_fields_and_its_pem() -> None:
    page = page_of(build.troubled())
    found = page.all("article", "certificate")
    assert {one.attributes["id"] for one in found} == {
        f"cert-{sha256}" for sha256 in build.troubled().survey.certificates
    }
    leaf = page.by_id(f"cert-{build.WEB_LEAF.sha256}")
    fields = {
        row.one("dt").text: [line.text for line in row.all("dd")] for row in leaf.one("dl").children
    }
    assert fields["Subject"] == ["CN=guest.northpier.example,O=Northpier Ferries"]
    assert fields["Names"][:2] == ["guest.northpier.example", "quay1.northpier.example"]
    assert fields["Valid"] == ["2026-03-01 00:00:00 UTC to 2027-03-01 12:00:00 UTC"]
    assert fields["SHA-256"] == [build.WEB_LEAF.sha256]
    assert fields["Purposes"] == ["server authentication"]
    assert fields["Public"] == ["a public CA's"]
    # "DER of guest.northpier.example" in base64, as `base64` of coreutils writes it.
    assert "".join(leaf.one("pre").said).splitlines() == [
        "-----BEGIN CERTIFICATE-----",
        "REVSIG9mIGd1ZXN0Lm5vcnRocGllci5leGFtcGxl",
        "-----END CERTIFICATE-----",
    ]


def test_the_time_line_says_the_same_in_a_table() -> None:
    page = page_of(build.troubled())
    table = page.by_id("time").one("table")
    assert table.one("caption").text == "Validity of what is served, and days that are due"
    rows = [[cell.text for cell in row.children] for row in table.one("tbody").children]
    assert [
        "guest.northpier.example",
        "web at quay1, quay2 and quay4",
        "2026-03-01",
        "2027-03-01",
        "2026-12-09 3",
    ] in rows
    assert len(page.by_id("time").all("svg", "bar")) == len(rows)


def test_what_has_ended_is_called_so() -> None:
    ended = replace(build.WEB_LEAF, not_after=datetime(2026, 11, 1, tzinfo=UTC))
    sound = build.healthy()
    page = page_of(replace(sound, facts=sound.facts | {ended.sha256: ended}))
    assert "ended 2026-11-01" in page.by_id("time").one("figure").text


def test_sections_without_anything_are_left_out() -> None:
    """And no link leads to them."""
    empty = replace(build.healthy(), served=(), facts={}, survey=build.healthy().survey)
    page = page_of(replace(empty, survey=replace(empty.survey, certificates={})))
    targets = {one.attributes["href"] for one in page.one("nav").all("a")}
    assert targets == {"#about"}


@pytest.mark.parametrize("assessment", [build.troubled(), build.healthy(), many(12)])
def test_every_link_leads_to_something_on_the_page(assessment: Assessment) -> None:
    page = page_of(assessment)
    everything = page.all()
    ids = [one.attributes["id"] for one in everything if "id" in one.attributes]
    assert len(ids) == len(set(ids))
    for one in everything:
        href = one.attributes.get("href", "#")
        if one.tag in {"a", "use"} and href != "#":
            assert href.startswith("#") and href[1:] in ids, href  # noqa: PT018  # one thought
        for name in ("aria-labelledby",):
            assert one.attributes.get(name, ids[0]) in ids


def test_landmarks_and_headings_are_in_order() -> None:
    page = page_of(build.troubled())
    body = page.one("body")
    for landmark in ("header", "nav", "main", "footer"):
        body.one(landmark)
    levels = [int(one.tag[1]) for one in body.all() if re.fullmatch("h[1-6]", one.tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after - before <= 1 for before, after in itertools.pairwise(levels))


def test_only_what_stands_inside_may_be_run_or_loaded() -> None:
    """The hashes are those of the very texts (Content Security Policy Level 3, 8.3)."""
    page = page_of(build.troubled())
    (policy,) = [
        one.attributes["content"]
        for one in page.all("meta")
        if one.attributes.get("http-equiv") == "Content-Security-Policy"
    ]
    rules = dict(rule.strip().split(" ", 1) for rule in policy.split(";"))
    assert rules == {
        "default-src": "'none'",
        "style-src": _hash("".join(page.one("style").said)),
        "script-src": _hash("".join(page.one("script").said)),
        "img-src": "data:",
        "base-uri": "'none'",
        "form-action": "'none'",
    }
    for one in page.all():
        assert not [name for name in one.attributes if name.startswith("on") or name == "style"]
        assert "src" not in one.attributes


def _hash(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


def test_no_address_of_elsewhere_stands_where_a_browser_would_go() -> None:
    text = render(build.troubled(), "page")
    assert not re.search(r'(?:href|src|action|url\()\s*=?\s*["\']?(?:https?:)?//', text)


def test_fifty_nodes_with_a_hundred_certificates_stay_below_a_megabyte() -> None:
    assert len(render(many(50), "page").encode()) < MEGABYTE


def test_no_score_and_no_share_is_given() -> None:
    said = page_of(many(12)).one("main").text
    assert "%" not in said
    assert not re.search(r"\bscore|\bgrade|\bpass(ed)?\b|\bfail(ed)?\b", said)
