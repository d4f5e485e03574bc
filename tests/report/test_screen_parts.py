"""What the report promises of any assessment: safe, plain, as wide as asked, computed elsewhere."""

import re
import unicodedata
from datetime import timedelta

import pytest

from probe.assessment import (
    Accepted,
    Apart,
    Evidence,
    Felt,
    Headline,
    NodeVerdict,
    NotServed,
    Part,
    Verdict,
)
from probe.observation.model import Endpoint, Outcome
from probe.records import replace
from probe.report.render import render as to_form
from probe.report.terminal import render
from tests.report.build import AT, CLOSED, EXPIRING, SELF_SIGNED, healthy, troubled
from tests.report.clusters import KINDS, judged
from tests.report.hostile import HOSTILE, LONG, poisoned

ESCAPES = re.compile(r"\x1b\[[0-9;]*m")


@pytest.mark.parametrize("width", [60, 80, 120])
def test_no_line_is_wider_than_asked_or_ends_in_a_space(width: int) -> None:
    for line in render(troubled(), width=width).split("\n"):
        assert len(line) <= width
        assert line == line.rstrip()


def test_a_terminal_too_narrow_for_anything_still_gets_all_words() -> None:
    words = render(troubled(), width=80).split()
    narrow = render(troubled(), width=5)
    assert max(len(line) for line in narrow.split("\n")) <= 40
    assert len(narrow.split()) >= len(words)


def test_very_wide_terminals_get_lines_that_can_be_read() -> None:
    assert max(len(line) for line in render(troubled(), width=400).split("\n")) <= 110


def test_the_environment_changes_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    plain, coloured = render(troubled()), render(troubled(), colour=True)
    for name, value in {
        "NO_COLOR": "1",
        "FORCE_COLOR": "1",
        "COLUMNS": "33",
        "TERM": "dumb",
        "COLORTERM": "truecolor",
    }.items():
        monkeypatch.setenv(name, value)
    assert render(troubled()) == plain
    assert render(troubled(), colour=True) == coloured


def test_colour_repeats_what_the_words_say() -> None:
    coloured = render(troubled(), colour=True)
    assert "\x1b[1;31mblocked\x1b[0m" in coloured
    assert ESCAPES.sub("", coloured) == render(troubled())
    assert "\x1b" not in render(troubled())


def test_four_or_four_hundred_equal_nodes_are_one_row() -> None:
    """The report grows with what is different, not with the cluster."""
    few, many = render(healthy(4)), render(healthy(400))
    closer = "  closer   probe node quay1 looks at one node in depth\n"
    assert few.replace("all 4 nodes", "all 400 nodes") + closer == many


@pytest.mark.parametrize("colour", [False, True])
@pytest.mark.parametrize("text", [HOSTILE, LONG], ids=["control", "long"])
def test_no_text_reaches_the_terminal_as_anything_but_text(text: str, colour: bool) -> None:
    """Every text of the assessment is hostile at once, so none can have been forgotten."""
    spare = frozenset({"questions", "lookups", "handshakes", "certificates"})
    hostile = poisoned(troubled(), text, spare=spare)
    # Ids are looked up, so the findings are still found by theirs.
    assert len({*hostile.facts} & {row.chain[0] for row in hostile.served}) == 3
    shown = ESCAPES.sub("", render(hostile, width=80, colour=colour))
    assert not {unicodedata.category(c) for c in shown.replace("\n", "")} & {
        "Cc",
        "Cf",
        "Cs",
        "Zl",
    }
    for line in shown.split("\n"):
        assert len(line) <= 80
    if text == HOSTILE:
        squeezed = re.sub(r"\s+", "", shown)
        assert "CN=quay4.northpier.example,O=NorthpierFerries\\x1b]0;owned\\x07" in squeezed
        assert "[boldred]x[/]\\r\\n\\x9b31m\\u202egnp.elif" in squeezed
        assert ":smile:" in squeezed
        assert "\\udc80" in squeezed
    else:
        assert "charactersinall)" in re.sub(r"\s+", "", shown)
        assert len(shown) < 100_000


def test_texts_that_are_empty_are_shown_as_nothing() -> None:
    empty = replace(
        troubled(),
        plan_name="",
        findings=(replace(SELF_SIGNED, says="", remedy="", source="", evidence=()),),
        headline=Headline(first=SELF_SIGNED.id),
    )
    assert "[1] blocked  EAP at quay4  eap-self-signed" in render(empty)


def test_a_clean_result_says_so_and_what_it_does_not_prove() -> None:
    shown = render(healthy())
    assert "Blocked now   nobody\n  Warned now    nobody\n  Stand apart   none\n" in shown
    assert "Do first      nothing to be done\n" in shown
    assert "A clean result does not prove" in shown


def test_nobody_is_only_as_far_as_was_seen() -> None:
    """No evidence is never a pass."""
    shown = render(replace(healthy(), complete=False, unseen=("web/quay1/x", "web/quay2/x")))
    assert "nobody, as far as was seen: 2 of 12 questions got no answer" in shown
    assert "Stand apart   none, as far as was seen\n" in shown
    assert "Not seen: 2 of 12 questions\n  web/quay1/x\n  web/quay2/x\n" in shown


def test_nobody_is_told_with_what_is_not_known() -> None:
    """A silent server is an answer of a kind: nothing is missing, and nothing is known."""
    silent = replace(CLOSED, rule="web-silent", verdict=Verdict.UNSEEN)
    shown = render(replace(healthy(), findings=(silent,)))
    assert "Blocked now   nobody, as far as was seen [1]\n" in shown
    known = Accepted("it is being moved", AT, expired=False)
    shown = render(replace(healthy(), findings=(replace(silent, accepted=known),)))
    assert "Blocked now   nobody\n" in shown


def test_the_day_until_which_to_do_it_is_told_once() -> None:
    base = healthy()
    for remedy in ("Renew it.", "Renew it before 2026-12-09."):
        first = replace(EXPIRING, remedy=remedy, accepted=None)
        shown = render(
            replace(base, findings=(first,), headline=Headline(first=first.id)), width=100
        )
        (line,) = [line for line in shown.splitlines() if line.startswith("  Do first")]
        assert line.lower().count("before 2026-12-09.") == 1


def test_another_day_than_that_of_the_survey_is_told_first() -> None:
    base = healthy()
    seen = max(taken.ended for taken in base.survey.taken)
    assert "As of" not in render(replace(base, judged_at=seen))
    shown = render(replace(base, judged_at=seen + timedelta(days=90)))
    assert shown.splitlines()[2].startswith("  As of         2027-02-2")
    assert "by what was seen until 2026-11-2" in " ".join(shown.split())


def test_a_look_at_a_part_of_the_plan_says_so_first() -> None:
    part = Part(nodes=9, asked=(Endpoint.WEB,), left_out=(Endpoint.DNS, Endpoint.EAP))
    shown = render(replace(healthy(), part=part), width=100)
    assert shown.splitlines()[2] == (
        "  Looked at     quay1, quay2, quay3 and quay4, of 9 nodes; web without DNS and EAP"
    )
    shown = render(replace(healthy(400), part=replace(part, nodes=400)))
    assert shown.splitlines()[2] == "  Looked at     web without DNS and EAP"


def test_an_interrupted_run_says_so_first() -> None:
    base = healthy()
    stopped = replace(base, complete=False, survey=replace(base.survey, interrupted=True))
    shown = render(stopped)
    assert shown.split("\n")[2] == "  Interrupted: this is what was known until then, and no more."
    assert "Blocked now   nobody, as far as was seen\n" in shown


def test_one_node_has_nothing_to_stand_apart_from() -> None:
    assert "Stand apart   one node, nothing to compare\n" in render(healthy(1))


def test_many_questions_without_an_answer_are_a_few_and_a_number() -> None:
    unseen = tuple(f"web/quay{number}/x" for number in range(20))
    shown = render(replace(healthy(), complete=False, unseen=unseen))
    assert "  web/quay7/x\n  and 12 more, in the JSON document\n" in shown
    assert "web/quay8/x" not in shown


def test_what_could_not_be_asked_is_told_with_the_reason() -> None:
    first, *others = healthy().survey.handshakes
    why = "this machine's TLS library cannot ask for it"
    left = replace(first, outcome=Outcome.NOT_ASKED, detail=why, served=None)
    survey = replace(healthy().survey, handshakes=(left, *others))
    shown = render(replace(healthy(), survey=survey, complete=False, unseen=(first.question,)))
    assert f"{first.question}: {why}" in " ".join(shown.split())


def test_much_evidence_is_a_few_and_a_number() -> None:
    evidence = tuple(Evidence(f"fact {number}", f"x{number}", None) for number in range(23))
    shown = render(replace(troubled(), findings=(replace(CLOSED, evidence=evidence),)))
    assert "fact 19: x19\n" in shown
    assert "and 3 more, in the JSON document\n" in shown
    assert "fact 20" not in shown


def test_the_same_fact_at_many_nodes_is_three_and_a_number() -> None:
    same = tuple(Evidence(f"quay{number}", "closed", None) for number in range(1, 10))
    evidence = (*same[:2], Evidence("quay20", "reset", None), *same[2:])
    shown = render(replace(troubled(), findings=(replace(CLOSED, evidence=evidence),)))
    assert re.search(
        r"seen          quay1: closed\n +quay2: closed\n +quay20: reset\n +quay3: closed\n"
        r" +and 6 more like these, in the JSON document\n",
        shown,
    )
    shown = render(replace(troubled(), findings=(replace(CLOSED, evidence=same[:4]),)))
    assert "quay4: closed\n" in shown


def test_many_findings_of_one_rule_are_told_whole_then_briefly_then_counted() -> None:
    """Nobody reads the same reasons forty times; what to do differs, and is told."""
    lines = render(judged("names", 40)).splitlines()
    titles = [line for line in lines if line.endswith("  dns-wrong-address")]
    assert len(titles) == 24
    assert sum(line.startswith("      source") for line in lines) == 4
    assert sum(line.startswith("      to do") for line in lines) == 24
    left = "  and 16 more of dns-wrong-address at quay25 to quay40, in the JSON document"
    assert left in lines


def test_nodes_that_share_two_findings_are_listed_once() -> None:
    shown = render(judged("half", 40))
    assert "      nodes         quay1, quay3, quay5, " in shown
    assert shown.count("quay37") == 1
    assert "      nodes         the same as of [1]\n" in shown


def test_every_node_of_a_finding_is_named_once() -> None:
    names = tuple(f"quay{number}" for number in range(3, 40, 4))
    base = healthy(40)
    shown = render(replace(base, findings=(replace(CLOSED, nodes=names),)))
    every = ", ".join(names[:-1]) + f" and {names[-1]}"
    some = "10 of 40 nodes (quay3, quay7 and 8 more)"
    assert f"web at {some}  {CLOSED.rule}\n" in shown
    assert f" nodes {every} " in " ".join(shown.split())
    assert "  nodes  " not in render(replace(base, findings=(CLOSED,)))


def test_a_fact_met_in_several_ways_is_one() -> None:
    where = "quay3 at 192.0.2.13, port 443"
    evidence = (
        Evidence(where, "closed", "web/a", ("opened as", "a")),
        Evidence(where, "silent", "web/b", ("opened as", "b")),
        Evidence(where, "closed", "web/c", ("opened as", "c")),
    )
    shown = render(replace(troubled(), findings=(replace(CLOSED, evidence=evidence),)))
    assert f"seen          {where}, opened as a and c: closed\n" in shown
    assert f"              {where}, opened as b: silent\n" in shown
    assert "asked         web/a, web/b and web/c\n" in shown
    many = tuple(replace(evidence[0], how=("opened as", f"n{number}")) for number in range(30))
    shown = render(replace(troubled(), findings=(replace(CLOSED, evidence=many),)))
    assert f"{where}, opened as n0, n1 and 28 more: closed" in " ".join(shown.split())


def test_an_acceptance_that_ran_out_is_told_from_one_that_holds() -> None:
    ran_out = replace(EXPIRING, accepted=Accepted("ordered", AT, True))
    shown = render(replace(troubled(), findings=(ran_out,)))
    assert "[1] due 2026-12-09, no longer accepted  web at" in shown
    assert "accepted      until 2026-11-25: ordered\n" in shown


def test_each_way_of_getting_no_chain_has_words() -> None:
    rows = tuple(
        NotServed(Endpoint.EAP, outcome.value, ("quay1",), Verdict.UNSEEN, ())
        for outcome in (Outcome.SILENT, Outcome.SECRET_DIFFERS)
    )
    shown = render(replace(healthy(), not_served=rows))
    assert "  EAP at quay1: unseen\n     nothing came back\n" in shown
    assert "     the reply does not verify with our secret\n" in shown


def test_who_feels_it_is_told_by_what_they_were_doing() -> None:
    names = ("guest.northpier.example",)
    felt = (
        Felt(Verdict.BLOCKED, Endpoint.DNS, (), ("quay1",), names, ()),
        Felt(Verdict.BLOCKED, Endpoint.CLUSTER, ("node",), ("quay2",), (), ()),
        Felt(Verdict.BLOCKED, Endpoint.CLUSTER, ("apple-web",), ("quay2",), names, ()),
        Felt(Verdict.WARNED, Endpoint.WEB, ("apple-web",), ("quay3",), names, ()),
        Felt(Verdict.WARNED, Endpoint.RADSEC, (), (), (), ()),
    )
    shown = render(replace(healthy(), headline=Headline(felt=felt)), width=110)
    assert "anyone, looking up guest.northpier.example at quay1\n" in shown
    assert "node, calling from another node at quay2\n" in shown
    assert "apple-web, opening guest.northpier.example at quay2\n" in shown
    assert "Warned now    apple-web, opening guest.northpier.example at quay3\n" in shown
    assert "anyone, by RadSec\n" in shown


@pytest.mark.parametrize("width", [60, 80, 120, 200])
@pytest.mark.parametrize(
    ("kind", "count"),
    [*((kind, count) for kind in KINDS for count in (4, 40)), ("many", 400), ("half", 400)],
)
def test_what_to_do_first_is_on_the_first_screen(kind: str, count: int, width: int) -> None:
    lines = render(judged(kind, count), width=width).split("\n")
    assert any(line.startswith("  Do first") for line in lines)
    assert lines.index("What is served") <= 24, "an empty line stands above it"


def test_the_first_screen_stays_one_screen() -> None:
    apart = tuple(
        Apart(
            (f"quay{number}",),
            (Verdict.BLOCKED, Verdict.WARNED, Verdict.UNSEEN, Verdict.ADVISED)[number % 4],
            *(((), (Endpoint.EAP,))[number // half % 2] for half in (4, 8)),
            (),
        )
        for number in range(30)
    )
    felt = tuple(
        Felt(Verdict.BLOCKED, Endpoint.EAP, ("apple-eap", f"x{number}"), (f"quay{number}",), (), ())
        for number in range(30)
    )
    first = replace(CLOSED, remedy="Start it and look. " * 60)
    base = replace(healthy(30), findings=(first,))
    told = Headline(felt=felt, apart=apart, first=first.id)
    lines = render(replace(base, headline=told)).split("\n")
    assert lines.index("What is served") <= 24
    assert any(line.startswith("  Do first") for line in lines)
    answers = " ".join(" ".join(lines[:23]).split())
    assert re.search(r"and 2\d more where it is felt, below Warned now", answers)
    assert re.search(r"and 1\d more ways to stand apart, below Do first", answers)
    assert answers.endswith("(all of it below)")


def test_on_the_first_screen_the_same_fate_of_many_nodes_is_one_entry() -> None:
    felt = tuple(
        Felt(Verdict.BLOCKED, Endpoint.WEB, ("x",), (f"quay{number}",), (f"n{number}",), ())
        for number in range(1, 11)
    )
    apart = tuple(
        Apart((f"quay{number}",), Verdict.BLOCKED, (), (Endpoint.WEB,), ())
        for number in range(1, 11)
    )
    told = Headline(felt=felt, apart=apart)
    shown = render(replace(healthy(30), headline=told))
    assert "  Blocked now   x, opening n1, n2 and 8 more at quay1 to quay10\n" in shown
    assert "  Stand apart   quay1 to quay10: no web chain seen, blocked\n" in shown
    few = replace(told, felt=felt[:6], apart=apart[:6])
    shown = render(replace(healthy(30), headline=few))
    assert "x, opening n6 at quay6\n" in shown
    assert "quay6: no web chain seen, blocked\n" in shown


def test_what_an_incomplete_chain_lacks_is_told() -> None:
    sound = healthy()
    row = replace(sound.served[0], chain=sound.served[0].chain[:1], missing=("CN=Harbour CA",))
    shown = render(replace(sound, served=(row,)))
    assert "sent alone; missing: CN=Harbour CA, which leads to Harbour Public Root\n" in shown
    shown = render(replace(sound, served=(replace(row, ends_in=None),)))
    assert "sent alone; missing: CN=Harbour CA\n" in shown


def test_a_chain_of_its_own_for_each_of_many_nodes_is_cut_where_nothing_is_wrong() -> None:
    base = healthy(40)
    web, eap = base.served
    own = tuple(replace(eap, nodes=(node.name,)) for node in base.nodes)
    odd = replace(own[30], apart=True, verdict=Verdict.WARNED)
    shown = render(replace(base, served=(web, *own[:30], odd, *own[31:])))
    assert "  EAP at quay31, in PEAP and EAP-TLS, standing apart: warned\n" in shown
    assert "EAP at quay12, in" in shown
    assert "EAP at quay13, in" not in shown
    assert "  and 27 more EAP chains, at quay13 to quay30 and quay32 to quay40: sound\n" in shown


def test_the_verdict_shown_is_the_one_given_whatever_the_findings_are() -> None:
    """Reports compute nothing."""
    shown = render(
        replace(
            troubled(),
            verdict=Verdict.ADVISED,
            headline=Headline(),
            nodes=(NodeVerdict("quay1", Verdict.SOUND),),
        )
    )
    assert shown.startswith("Northpier Ferries network access: advised\n")
    assert "Do first      look again: not all was seen\n" in shown


def test_where_questions_are_open_it_is_not_said_that_all_is_done() -> None:
    shown = render(replace(healthy(), verdict=Verdict.UNSEEN, complete=False))
    assert "nothing to be done" not in shown
    assert "Do first      look again: not all was seen\n" in shown


def test_what_is_wrong_with_this_machine_is_said_before_who_is_blocked() -> None:
    """What else is said of dates and trust may be owed to it."""
    assessment = troubled()
    last = assessment.findings[-1]
    here = replace(last, rule="here-clock-off", says="This machine's clock is 47 minutes behind.")
    screen = render(
        replace(
            assessment,
            findings=(*assessment.findings[:-1], here),
            headline=replace(assessment.headline, before=(here.id,)),
        )
    )
    assert "  First of all  This machine's clock is 47 minutes behind." in screen
    assert screen.index("First of all") < screen.index("Blocked now")
    assert "First of all" not in render(assessment)


@pytest.mark.parametrize("rule", ["here-clock-off", "here-intercepted"])
def test_what_is_wrong_with_this_machine_is_told_once_and_of_this_machine(rule: str) -> None:
    here = replace(
        SELF_SIGNED,
        rule=rule,
        endpoint=Endpoint.WEB,
        nodes=(),
        verdict=Verdict.ADVISED,
        says="It is here.",
    )
    assessment = replace(
        troubled(),
        verdict=Verdict.ADVISED,
        findings=(here,),
        headline=Headline(first=here.id, before=(here.id,)),
    )
    screen = render(assessment)
    first, _, findings = screen.partition("Findings")
    assert first.count("It is here.") == 1
    assert "  Do first      this machine [1]: " in first
    assert f"[1] advised  this machine  {rule}\n" in findings
    page = to_form(assessment, "page")
    first, _, findings = page.partition('id="findings"')
    assert first.count("It is here.") == 1
    assert first.count("this machine") >= 1
    assert "It is here." in findings
    assert "this machine" in findings
