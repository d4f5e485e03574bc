"""The assessment as a whole: verdicts, order, acceptances, rows, and purity."""

from datetime import date, datetime, timedelta

import pytest

from probe.assessment import Part, Verdict
from probe.judge.explained import Explained
from probe.observation.model import Endpoint, Outcome, Survey, fingerprint
from probe.plan.model import Acceptance
from probe.records import replace
from tests.judge.pki import AT
from tests.judge.world import (
    GUEST,
    HOSTS,
    NODES,
    OWN,
    PRIVATE_ROOT,
    PUBLIC_ROOT,
    RADIUS,
    ca,
    clients,
    eap_chain,
    guest_service,
    judged,
    nodes,
    plan,
    private,
    public,
    seen,
    told,
    web_chain,
    with_private,
    with_public,
)

SOON = with_public(public(*HOSTS, GUEST, OWN, begins=AT - timedelta(days=80), days=90))


def shas(chain: tuple[bytes, ...]) -> tuple[str, ...]:
    return tuple(fingerprint(der) for der in chain)


def test_a_healthy_cluster_is_sound() -> None:
    result = judged(plan(), seen(plan()))
    assert result.findings == ()
    assert result.verdict is Verdict.SOUND
    assert result.complete
    assert [(node.name, node.verdict) for node in result.nodes] == [
        (name, Verdict.SOUND) for name in NODES
    ]
    assert result.headline.first is None


def test_a_question_without_an_answer_is_unseen() -> None:
    result = judged(plan(), seen(plan(), without=("eap/quay3",)))
    assert result.findings == ()
    assert not result.complete
    assert result.unseen == (
        "eap/quay3/192.0.2.13:1812/PEAP",
        "eap/quay3/192.0.2.13:1812/EAP-TTLS",
    )
    assert [node.verdict for node in result.nodes] == [
        Verdict.SOUND,
        Verdict.SOUND,
        Verdict.UNSEEN,
        Verdict.SOUND,
    ]
    assert result.verdict is Verdict.UNSEEN


def test_an_interrupted_survey_is_never_sound() -> None:
    result = judged(plan(), replace(seen(plan()), interrupted=True))
    assert (result.verdict, result.complete) == (Verdict.UNSEEN, False)


def only(survey: Survey, *texts: str) -> Survey:
    """Return the part of a survey whose questions hold one of these texts."""
    asked = tuple(q for q in survey.questions if any(text in q.id for text in texts))
    kept = {question.id for question in asked}
    return replace(
        survey,
        questions=asked,
        lookups=tuple(record for record in survey.lookups if record.question in kept),
        handshakes=tuple(record for record in survey.handshakes if record.question in kept),
    )


def test_what_was_not_looked_at_is_told_and_not_called_sound() -> None:
    result = judged(plan(), only(seen(plan()), "web/quay3/", "dns/192.0.2.53/quay3"))
    assert [node.name for node in result.nodes] == ["quay3"]
    assert result.part == Part(4, (Endpoint.DNS, Endpoint.WEB), left_out=(Endpoint.EAP,))
    assert judged(plan(), seen(plan())).part is None
    of = plan(nodes=nodes(("quay1",), eap=None), services=(), eap=None)
    assert judged(of, seen(of)).part is None, "what is not in the plan is not left out"


def test_the_other_nodes_are_there_although_they_were_not_looked_at() -> None:
    """One node looked at alone has the verdict that it has in the sweep of all."""
    survey = seen(plan(), web={"web/quay3": web_chain()[:1]})
    (finding,) = judged(plan(), only(survey, "web/quay3/")).findings
    assert (finding.rule, finding.verdict) == ("web-chain-incomplete", Verdict.BLOCKED)
    assert "node" in finding.clients


def test_verdicts_are_the_worst_of_what_names_a_node() -> None:
    survey = seen(plan(), web={"web/quay2": SOON, "web/quay3": Outcome.CLOSED})
    result = judged(plan(), survey)
    assert [node.verdict for node in result.nodes] == [
        Verdict.SOUND,
        Verdict.DUE,
        Verdict.BLOCKED,
        Verdict.SOUND,
    ]
    assert result.verdict is Verdict.BLOCKED


def test_each_kind_of_endpoint_of_a_node_has_a_verdict_of_its_own() -> None:
    survey = seen(plan(), web={"web/quay2": SOON}, without=("eap/quay3",))
    _, quay2, quay3, _ = judged(plan(), survey).nodes
    kinds = (Endpoint.DNS, Endpoint.WEB, Endpoint.EAP)
    sound, due, unseen = Verdict.SOUND, Verdict.DUE, Verdict.UNSEEN
    assert quay2.endpoints == tuple(zip(kinds, (sound, due, sound), strict=True))
    assert quay3.endpoints == tuple(zip(kinds, (sound, sound, unseen), strict=True))


def test_findings_are_ordered_worst_first_then_as_in_the_catalogue() -> None:
    survey = seen(
        plan(),
        web={"web/quay2": SOON, "web/quay4": Outcome.CLOSED},
        eap={"eap/quay1": Outcome.SILENT, "eap/quay3": Outcome.CLOSED},
    )
    result = judged(plan(), survey)
    assert [f.rule for f in result.findings] == [
        "web-closed",
        "eap-closed",
        "web-expiring",
        "eap-silent",
    ]
    assert result.headline.first == result.findings[0].id


def test_the_same_arguments_give_the_same_assessment() -> None:
    survey = seen(plan(), web={"web/quay3": Outcome.CLOSED})
    assert judged(plan(), survey) == judged(plan(), survey)


def test_a_survey_can_be_judged_as_of_another_day() -> None:
    survey = seen(plan())
    assert told(judged(plan(), survey, at=AT + timedelta(days=31))) == [
        ("web-expiring", "web", NODES, None),
        ("eap-expiring", "eap", NODES, None),
    ]
    later = judged(plan(), survey, at=AT + timedelta(days=61))
    assert told(later) == [
        ("web-expired", "web", NODES, None),
        ("eap-expired", "eap", NODES, None),
    ]


def test_a_time_without_a_zone_is_refused() -> None:
    with pytest.raises(ValueError, match="zone"):
        judged(plan(), seen(plan()), at=datetime(2026, 11, 25))


# ---------------------------------------------------------------- acceptances


def test_an_accepted_finding_is_shown_and_does_not_count() -> None:
    of = plan(accepted=(Acceptance("web-expiring", ("quay2",), "renewed on Monday", AT.date()),))
    result = judged(of, seen(of, web={"web/quay2": SOON}))
    (finding,) = result.findings
    assert finding.accepted is not None
    assert finding.accepted.reason == "renewed on Monday"
    assert not finding.accepted.expired
    assert result.verdict is Verdict.SOUND
    assert result.headline.first is None


def test_an_acceptance_holds_to_the_end_of_its_day() -> None:
    of = plan(accepted=(Acceptance("web-expiring", (), "known", date(2026, 11, 25)),))
    survey = seen(of, web={"web/quay2": SOON})
    last = datetime(2026, 11, 25, 23, 59, 59, 999_999, AT.tzinfo)
    assert judged(of, survey, at=last).verdict is Verdict.SOUND
    over = judged(of, survey, at=last + timedelta(microseconds=1))
    assert over.verdict is Verdict.DUE
    assert over.findings[0].accepted is not None
    assert over.findings[0].accepted.expired


def test_an_acceptance_may_hold_to_the_end_of_the_calendar() -> None:
    """TOML dates end with the year 9999 (RFC 3339, 1)."""
    of = plan(accepted=(Acceptance("web-expiring", (), "for good", date(9999, 12, 31)),))
    (finding,) = judged(of, seen(of, web={"quay2": SOON})).findings
    assert finding.accepted is not None
    assert not finding.accepted.expired


def test_a_blocked_finding_counts_although_it_is_accepted() -> None:
    of = plan(accepted=(Acceptance("web-closed", (), "being moved", AT.date()),))
    result = judged(of, seen(of, web={"web/quay3": Outcome.CLOSED}))
    assert result.findings[0].accepted is not None
    assert result.verdict is Verdict.BLOCKED


@pytest.mark.parametrize(
    "other",
    [
        Acceptance("web-expired", (), "another rule", AT.date()),
        Acceptance("web-expiring", ("quay1",), "another node", AT.date()),
        Acceptance("web-expiring", (), "another name", AT.date(), name="x.northpier.example"),
    ],
)
def test_an_acceptance_of_something_else_changes_nothing(other: Acceptance) -> None:
    of = plan(accepted=(other,))
    result = judged(of, seen(of, web={"web/quay2": SOON}))
    assert result.findings[0].accepted is None
    assert result.verdict is Verdict.DUE


# ---------------------------------------------------------------- rows


def test_equal_nodes_are_one_row() -> None:
    web, eap = judged(plan(), seen(plan())).served
    assert (web.endpoint, web.chain, web.nodes) == (Endpoint.WEB, shas(web_chain()), NODES)
    assert web.names == (HOSTS[0], GUEST, *HOSTS[1:])
    assert (web.verdict, web.findings, web.apart) == (Verdict.SOUND, (), False)
    assert web.ends_in == PUBLIC_ROOT
    assert (eap.endpoint, eap.nodes, eap.methods) == (Endpoint.EAP, NODES, ("PEAP", "EAP-TTLS"))
    assert eap.ends_in == PRIVATE_ROOT


def test_a_node_with_another_chain_stands_apart() -> None:
    other = with_private(private(RADIUS))
    of = plan(clients=clients(by_hand=("windows-eap",)))
    result = judged(of, seen(of, eap={"eap/quay3": other}))
    rows = {row.chain: row for row in result.served if row.endpoint is Endpoint.EAP}
    apart = rows[shas(other)]
    assert (apart.nodes, apart.apart, apart.verdict) == (("quay3",), True, Verdict.WARNED)
    assert apart.findings == (result.findings[0].id,)
    rest = rows[shas(eap_chain())]
    assert (rest.apart, rest.verdict, rest.findings) == (False, Verdict.SOUND, ())
    assert [(a.nodes, a.other_chain) for a in result.headline.apart] == [
        (("quay3",), (Endpoint.EAP,))
    ]


def test_a_node_that_leaves_out_an_intermediate_stands_apart() -> None:
    """Its leaf is everybody's; a root that is sent besides sets nobody apart."""
    leaf = web_chain()[:1]
    whole = (*web_chain(), ca(PUBLIC_ROOT).der)
    result = judged(plan(), seen(plan(), web={"web/quay3": leaf, "web/quay4": whole}))
    apart = {row.nodes: row.apart for row in result.served if row.endpoint is Endpoint.WEB}
    assert apart == {("quay1", "quay2"): False, ("quay3",): True, ("quay4",): False}


def test_a_certificate_for_each_nodes_own_name_sets_nobody_apart() -> None:
    own = {f"web/{node}": with_public(public(f"{node}.northpier.example", GUEST)) for node in NODES}
    result = judged(plan(), seen(plan(), web=own))
    assert result.findings == ()
    assert [row.apart for row in result.served] == [False] * 5
    assert result.headline.apart == ()


def test_what_was_not_served_is_a_row_with_its_finding() -> None:
    result = judged(plan(), seen(plan(), eap={"eap/quay3": Outcome.SILENT}))
    (row,) = result.not_served
    assert (row.endpoint, row.outcome, row.nodes) == (Endpoint.EAP, "silent", ("quay3",))
    assert (row.verdict, row.apart) == (Verdict.UNSEEN, True)
    assert row.findings == (result.findings[0].id,)


def test_what_nobody_served_sets_nobody_apart() -> None:
    (row,) = judged(plan(), seen(plan(), eap={"eap/": Outcome.SILENT})).not_served
    assert (row.nodes, row.apart) == (NODES, False)


def test_public_certificates_are_told_from_private_ones() -> None:
    result = judged(plan(), seen(plan()))
    assert [result.public[sha] for sha in shas(web_chain())] == ["yes", "yes"]
    assert [result.public[sha] for sha in shas(eap_chain())] == ["no", "no"]
    assert set(result.facts) == set(shas(web_chain()) + shas(eap_chain()))


def test_roots_are_listed_once() -> None:
    result = judged(plan(), seen(plan()))
    assert [(store.name, store.count) for store in result.roots] == [
        ("public", 1),
        ("northpier-root.pem", 1),
    ]


def test_a_survey_of_some_nodes_says_nothing_of_the_others() -> None:
    whole = seen(plan())
    kept = tuple(q for q in whole.questions if q.nodes == ("quay1",))
    ids = {question.id for question in kept}
    part = replace(
        whole,
        questions=kept,
        lookups=tuple(r for r in whole.lookups if r.question in ids),
        handshakes=tuple(r for r in whole.handshakes if r.question in ids),
    )
    result = judged(plan(), part)
    assert (result.findings, result.verdict) == ((), Verdict.SOUND)


def test_records_of_nodes_that_the_plan_does_not_have_are_left_aside() -> None:
    small = plan(nodes=plan().nodes[:2], services=(guest_service(nodes=NODES[:2]),))
    shown = {GUEST: ("192.0.2.11", "192.0.2.12")}
    result = judged(small, seen(plan(), web={"web/quay3": Outcome.CLOSED}, dns=shown))
    assert result.findings == ()


def test_evidence_of_many_nodes_is_that_of_the_first_and_a_number() -> None:
    names = tuple(f"quay{number}" for number in range(1, 31))
    of = plan(nodes=nodes(names), services=(guest_service(nodes=names),))
    (finding,) = judged(of, seen(of, web={"web/": Outcome.CLOSED})).findings
    *rows, besides, to_see = finding.evidence
    assert len({row.what for row in rows}) == 12
    assert [row.how for row in finding.evidence[:2]] == [
        ("opened as", "quay1.northpier.example"),
        ("opened as", GUEST),
    ]
    assert besides.value == "36 more answers like these"
    assert to_see.what == "to see it"


def test_the_row_of_an_incomplete_chain_says_what_is_missing() -> None:
    result = judged(plan(), seen(plan(), web={"web/quay3": web_chain()[:1]}))
    assert [row.missing for row in result.served if row.endpoint is Endpoint.WEB] == [
        (),
        ("CN=Saltmarsh Issuing",),
    ]


def test_a_memory_of_examinations_changes_no_judgement() -> None:
    memory = Explained()
    survey = seen(plan(), web={"web/quay3": SOON})
    other = seen(plan(), web={"web/quay2": SOON})
    for each in (survey, other, survey):
        assert judged(plan(), each, memory=memory) == judged(plan(), each)
    later = AT + timedelta(days=20)
    assert judged(plan(), survey, at=later, memory=memory) == judged(plan(), survey, at=later)
