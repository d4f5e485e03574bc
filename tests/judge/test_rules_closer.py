"""A closer look at the web: other times, old versions, no name, clocks, and the way there."""

from datetime import timedelta

import pytest

from probe.assessment import Verdict
from probe.observation.model import HttpSeen, Outcome, Survey
from probe.observe.agenda import Depth
from probe.plan.model import FAMILIES, Acceptance, Guest, Plan, Resolver
from probe.records import replace
from tests.judge.pki import AT, Made, make
from tests.judge.world import (
    FOREIGN_ROOT,
    GUEST,
    HOSTS,
    NODES,
    Chain,
    ca,
    clients,
    folded,
    guest_service,
    host,
    judged,
    noted,
    plan,
    public,
    seen,
    told,
    web_chain,
    with_public,
)

THIRD = ("quay3",)
EVERY_NAME = (*HOSTS, GUEST)
OWN3 = f"web/quay3/192.0.2.13:443/{host('quay3')}"
GUEST3 = f"web/quay3/192.0.2.13:443/{GUEST}"


def closely(of: Plan | None = None, **answers: object) -> Survey:
    return seen(of or plan(), depth=Depth.NODE, **answers)  # type: ignore[arg-type]  # passed through


# ---------------------------------------------------------------- one time and another


def test_another_certificate_another_time() -> None:
    """Same names and CA, issued a week earlier: nothing fails, and it ought not to be."""
    older = with_public(public(*EVERY_NAME, begins=AT - timedelta(days=37)))
    survey = closely(web={f"{OWN3}/again/3": older})
    result = judged(plan(), survey)
    assert told(result) == [("web-unequal-answers", "web", THIRD, host("quay3"))]
    (finding,) = result.findings
    assert finding.verdict is Verdict.ADVISED
    assert [row.value[:12] for row in finding.evidence[:2]] == ["2 of 3 times", "1 of 3 times"]
    assert finding.evidence[-1].value.endswith("</dev/null, several times")


def test_what_fails_of_unequal_answers_decides_and_is_explained() -> None:
    expired = with_public(public(*EVERY_NAME, begins=AT - timedelta(days=91), days=90))
    answers = {f"{where}/again/2": expired for where in (OWN3, GUEST3)}
    result = judged(plan(), closely(web=answers))
    assert told(result) == [("web-unequal-answers", "web", THIRD, None)]
    assert folded(result) == ["web-expired"]
    assert result.findings[0].verdict is Verdict.BLOCKED


def test_what_fails_every_time_is_no_matter_of_time() -> None:
    """The twin: both answers have ended, and restarting mends nothing of that."""
    begins = AT - timedelta(days=91)
    one = with_public(public(*EVERY_NAME, begins=begins, days=90))
    other = with_public(public(*EVERY_NAME, begins=begins, days=90))
    answers: dict[str, Chain] = {"web/quay3": one} | {
        f"{where}/again/2": other for where in (OWN3, GUEST3)
    }
    result = judged(plan(), closely(web=answers))
    assert told(result) == [
        ("web-expired", "web", THIRD, None),
        ("web-unequal-answers", "web", THIRD, None),
    ]


def test_a_chain_that_is_whole_at_times_only() -> None:
    result = judged(plan(), closely(web={f"{OWN3}/again/2": web_chain()[:1]}))
    assert told(result) == [("web-unequal-answers", "web", THIRD, host("quay3"))]
    assert "different CA certificates" in result.findings[0].says
    assert "web-chain-incomplete" in folded(result)


def test_a_balancer_shows_its_nodes_in_turn() -> None:
    """Each has a certificate of its own for the name: healthy. A stranger's is not."""
    of = plan(services=(guest_service(addresses=("192.0.2.80",)),))
    own = {f"web/{node}/": with_public(public(host(node), GUEST)) for node in NODES}
    virtual = f"192.0.2.80:443/{GUEST}"
    turns = {virtual: own["web/quay1/"], f"{virtual}/again/2": own["web/quay2/"]}
    assert told(judged(of, closely(of, web=own | turns))) == []
    stranger = {f"{virtual}/again/3": with_public(public(GUEST))}
    result = judged(of, closely(of, web=own | turns | stranger))
    assert [rule for rule, *_ in told(result)] == ["web-unequal-answers"]


def test_no_answer_another_time() -> None:
    answers = {f"{where}/again/2": Outcome.CLOSED for where in (OWN3, GUEST3)}
    result = judged(plan(), closely(web=answers))
    assert told(result) == [("web-closed", "web", THIRD, None)]
    assert result.findings[0].says.endswith("of quay3, though it answers at other times.")


# ---------------------------------------------------------------- old versions


def test_an_old_version_beside_new_ones_is_advised() -> None:
    survey = closely(web={"web/quay3/192.0.2.13:443/old/TLSv1": web_chain()})
    result = judged(plan(), survey)
    assert told(result) == [("web-old-tls", "web", THIRD, None)]
    (finding,) = result.findings
    assert finding.verdict is Verdict.ADVISED
    assert finding.clients == ()
    assert "TLS 1.0 and TLS 1.1" in finding.says
    assert "-tls1 -cipher DEFAULT@SECLEVEL=0" in finding.evidence[-1].value


def test_nothing_newer_blocks() -> None:
    answers = {"web/quay3": Outcome.REFUSED, "web/quay3/192.0.2.13:443/old/TLSv1.1": web_chain()}
    result = judged(plan(), closely(web=answers))
    assert told(result) == [("web-old-tls", "web", THIRD, None)]
    assert folded(result) == ["web-refused"]
    (finding,) = result.findings
    assert finding.verdict is Verdict.BLOCKED
    assert "nothing newer than TLS 1.1" in finding.says
    assert finding.clients == tuple(f for f in FAMILIES if not f.endswith("-eap"))


def test_an_old_hello_that_is_not_refused_but_broken_is_a_note() -> None:
    for outcome, notes in (
        (Outcome.REFUSED, []),
        (Outcome.CUT_OFF, []),
        (Outcome.SILENT, [("web-old-tls", THIRD)]),
        (Outcome.MALFORMED, [("web-old-tls", THIRD)]),
    ):
        result = judged(plan(), closely(web={"web/quay3/192.0.2.13:443/old/TLSv1.1": outcome}))
        assert (told(result), noted(result)) == ([], notes)


# ---------------------------------------------------------------- without its name


def test_another_certificate_without_a_name_is_a_note() -> None:
    itself = (make("appliance", names=["appliance"]).der,)
    result = judged(plan(), closely(web={"web/quay3/192.0.2.13:443/no-name": itself}))
    assert (told(result), noted(result)) == ([], [("web-default-differs", THIRD)])
    assert '"appliance"' in result.notes[0].says


def test_a_default_that_some_name_has_is_usual() -> None:
    """Certificates chosen by name: without one a node shows its own."""
    answers: dict[str, Chain] = {f"web/{node}": with_public(public(host(node))) for node in NODES}
    answers[f":443/{GUEST}"] = with_public(public(GUEST))
    result = judged(plan(), closely(web=answers))
    assert (told(result), noted(result)) == ([], [])


def test_a_name_that_a_node_does_not_know_may_be_refused() -> None:
    answers = {"/other-name": Outcome.REFUSED, "/no-name": Outcome.CUT_OFF}
    result = judged(plan(), closely(web=answers))
    assert (told(result), noted(result)) == ([], [])


# ---------------------------------------------------------------- clocks


def at_clock(survey: Survey, **off: timedelta) -> Survey:
    """Let nodes answer a HEAD with a Date that far ahead; those not named have the right time."""
    return replace(
        survey,
        handshakes=tuple(
            replace(r, http=HttpSeen(200, r.at + off.get(r.nodes[0], timedelta())))
            if r.asked.head
            else r
            for r in survey.handshakes
        ),
    )


MINUTES = timedelta(minutes=1)


@pytest.mark.parametrize(
    ("off", "found"),
    [
        ({}, []),
        ({"quay3": 5 * MINUTES}, []),
        ({"quay3": 6 * MINUTES}, [("web-clock-off", "web", THIRD, None)]),
        ({"quay3": -600 * MINUTES}, [("web-clock-off", "web", THIRD, None)]),
        # As many agree with this machine as against it.
        (
            {"quay3": 60 * MINUTES, "quay4": 60 * MINUTES},
            [("web-clock-off", "web", ("quay3", "quay4"), None)],
        ),
        # Most agree against it.
        (
            dict.fromkeys(("quay1", "quay2", "quay4"), 60 * MINUTES),
            [("here-clock-off", "web", (), None), ("web-clock-off", "web", THIRD, None)],
        ),
        (dict.fromkeys(NODES, -60 * MINUTES), [("here-clock-off", "web", (), None)]),
        # All are off, and no two agree.
        (
            {node: place * 60 * MINUTES for place, node in enumerate(NODES, 1)},
            [("web-clock-off", "web", NODES, None)],
        ),
    ],
)
def test_clocks(off: dict[str, timedelta], found: list[object]) -> None:
    result = judged(plan(), at_clock(seen(plan()), **off))
    assert told(result) == found
    for finding in result.findings:
        assert finding.verdict is Verdict.ADVISED
        assert "curl -skI" in finding.evidence[-1].value
    assert {row.verdict for row in result.served} == {Verdict.SOUND}  # no certificate's fault


def test_how_far_a_clock_is_off_is_told() -> None:
    (finding,) = judged(plan(), at_clock(seen(plan()), quay3=-600 * MINUTES)).findings
    assert finding.says == "The clock of quay3 is about 10 hours behind this machine's."
    (finding,) = judged(
        plan(), at_clock(seen(plan()), **dict.fromkeys(NODES, 62 * MINUTES))
    ).findings
    assert "is 62 minutes behind those of quay1, quay2, quay3 and quay4" in finding.says


def test_our_own_clock_is_said_before_anything_else() -> None:
    """Also before what is worse: it may be owed to that."""
    expired = with_public(public(*EVERY_NAME, begins=AT - timedelta(days=91), days=90))
    off = dict.fromkeys(NODES, 60 * MINUTES)
    result = judged(plan(), at_clock(seen(plan(), web={"web/": expired}), **off))
    assert {rule for rule, *_ in told(result)} == {"here-clock-off", "web-expired"}
    (here,) = [f for f in result.findings if f.rule == "here-clock-off"]
    assert result.headline.before == (here.id,)
    assert result.headline.first == here.id
    assert result.headline.no_change == ()
    assert result.verdict is Verdict.BLOCKED


def test_a_single_node_is_one_word_against_another() -> None:
    of = plan(nodes=plan().nodes[:1], services=())
    result = judged(of, at_clock(seen(of), quay1=60 * MINUTES))
    assert told(result) == [("web-clock-off", "web", ("quay1",), None)]


def test_a_clock_that_is_known_to_be_off_can_be_accepted() -> None:
    of = plan(accepted=(Acceptance("web-clock-off", THIRD, "no time service", AT.date()),))
    (finding,) = judged(of, at_clock(seen(of), quay3=60 * MINUTES)).findings
    assert finding.accepted is not None


# ---------------------------------------------------------------- the way there

CANARY = "weather.example"
GUESTS_VIEW = {
    "guest": Guest(canary=CANARY),
    "resolvers": (Resolver("192.0.2.53"), Resolver("10.0.9.53", "guest")),
}


def inspected(*names: str) -> Chain:
    """What an inspecting proxy makes of a host: its own CA, and one key for all."""
    leaf = make(names[0], ca(FOREIGN_ROOT), names=names, key_label="inspection")
    return leaf.der, ca(FOREIGN_ROOT).der


def test_a_foreign_certificate_for_a_name_outside_the_plan() -> None:
    of = plan(**GUESTS_VIEW)
    portal = with_public(public(GUEST))
    for chain, nodes in (
        (portal, ()),
        (web_chain(), NODES),
        ((make("gateway", names=["gateway"]).der,), ()),
        (inspected(CANARY), ()),
    ):
        result = judged(of, seen(of, web={f"web/{CANARY}": chain}))
        assert told(result) == [("web-intercepted", "web", nodes, CANARY)]
        (finding,) = result.findings
        assert finding.verdict is Verdict.WARNED
        assert "captive-web" in finding.clients or finding.reactions


@pytest.mark.parametrize(
    "answer",
    [with_public(public(CANARY)), with_public(public(CANARY))[:1], Outcome.CLOSED, Outcome.SILENT],
)
def test_the_name_itself_or_nothing_is_healthy(answer: Chain | Outcome) -> None:
    of = plan(**GUESTS_VIEW)
    assert told(judged(of, seen(of, web={f"web/{CANARY}": answer}))) == []


def test_from_elsewhere_the_canary_is_not_asked() -> None:
    of = plan(guest=Guest(canary=CANARY))
    assert not any(CANARY in question.id for question in seen(of).questions)


def test_inspection_on_our_own_way() -> None:
    of = plan(clients=clients("chromium-web"))
    answers = {f"web/{node}/": inspected(host(node), GUEST) for node in NODES}
    result = judged(of, seen(of, web=answers))
    assert ("here-intercepted", "web", (), None) in told(result)
    assert {rule for rule, *_ in told(result)} == {"here-intercepted", "web-unknown-root"}
    (here,) = [f for f in result.findings if f.rule == "here-intercepted"]
    assert here.verdict is Verdict.ADVISED
    assert result.headline.first == here.id
    assert "chromium-web" not in result.headline.no_change


def strange(node: str, *, key_label: str | None = None) -> Made:
    names = (host(node), GUEST)
    return make(names[0], ca(FOREIGN_ROOT), names=names, key_label=key_label)


def test_a_strange_ca_at_every_node_alone_is_told_of_the_nodes() -> None:
    """The twins: a key for each; one node that is as the plan says; one certificate for all."""
    of = plan(clients=clients("chromium-web"))
    own_keys = {f"web/{node}/": (strange(node).der, ca(FOREIGN_ROOT).der) for node in NODES}
    spared = {f"web/{node}/": inspected(host(node), GUEST) for node in NODES[1:]}
    for answers in (own_keys, spared, {"web/": inspected(*EVERY_NAME)}):
        found = {rule for rule, *_ in told(judged(of, seen(of, web=answers)))}
        assert found == {"web-unknown-root"}


def test_a_strange_ca_at_every_node_and_outside_the_plan_too() -> None:
    of = plan(clients=clients("chromium-web"), **GUESTS_VIEW)
    answers: dict[str, Chain] = {
        f"web/{node}/": (strange(node).der, ca(FOREIGN_ROOT).der) for node in NODES
    }
    answers[f"web/{CANARY}"] = inspected(CANARY)
    found = {rule for rule, *_ in told(judged(of, seen(of, web=answers)))}
    assert found == {"here-intercepted", "web-intercepted", "web-unknown-root"}
