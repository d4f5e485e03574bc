"""One family's decision, step by step: roots, path, name, and what it does about each objection."""

from datetime import timedelta

import pytest

from probe.assessment import Basis, Decision, Does, Verdict
from probe.judge.decide import decide
from probe.observation.model import Endpoint, Outcome
from probe.observe.agenda import Depth
from probe.plan.model import FAMILIES, Plan
from probe.records import replace
from tests.judge.pki import AT, make
from tests.judge.world import (
    FOREIGN_ROOT,
    GUEST,
    HOSTS,
    NAMES_ITS_ISSUER,
    PRIVATE_ISSUING,
    PRIVATE_ROOT,
    PUBLIC_ISSUING,
    PUBLIC_ROOT,
    RADIUS,
    Answer,
    ca,
    clients,
    host,
    judged,
    plan,
    private,
    public,
    seen,
    with_private,
    with_public,
)

EVERY_NAME = (*HOSTS, GUEST)


def decided(
    family: str, *, of: Plan | None = None, web: Answer | None = None, eap: Answer | None = None
) -> tuple[Decision, ...]:
    of = of or plan()
    survey = seen(
        of,
        web={"web/quay3": web} if web else {},
        eap={"eap/": eap} if eap else {},
        depth=Depth.NODE,
    )
    return decide(of, survey, node="quay3", family=family, at=AT)


def said(decision: Decision, about: str) -> list[str]:
    return [step.says for step in decision.steps if step.about == about]


def test_a_healthy_endpoint_is_gone_through_without_an_objection() -> None:
    own, guests = decided("chromium-web")
    assert (own.opened, guests.opened) == ((host("quay3"),), (GUEST,))
    assert (own.endpoint, own.address, own.port) == (Endpoint.WEB, "192.0.2.13", 443)
    assert {step.about for step in own.steps} == {"roots", "path", "name"}
    (roots,) = said(guests, "roots")
    assert roots == "it has 1 root, of public; the CA behind this is public, in public"
    assert [text.partition(" (")[0] for text in said(guests, "path")] == [
        f'"{HOSTS[0]}"',
        f'issued by "{PUBLIC_ISSUING}"',
        f'issued by "{PUBLIC_ROOT}"',
    ]
    assert said(guests, "path")[2].endswith(": a root that it has")
    assert guests.verdict is Verdict.SOUND


def test_every_objection_comes_with_what_is_done_and_how_it_is_known() -> None:
    expired = with_public(public(*EVERY_NAME, begins=AT - timedelta(days=91), days=90))
    (decision, _) = decided("firefox-web", web=expired)
    (step,) = [step for step in decision.steps if step.about == "web-expired"]
    assert (step.does, step.words) == (Does.WARNS, "SEC_ERROR_EXPIRED_CERTIFICATE")
    assert (step.source, step.basis) == ("NSS error tables; RFC 9110, 4.3.4", Basis.PUBLISHED)
    assert decision.verdict is step.verdict is Verdict.WARNED


def test_what_a_family_lets_pass_is_told_too() -> None:
    """It fetches the intermediate; the other one does not."""
    alone = with_public(public(*EVERY_NAME, more=[NAMES_ITS_ISSUER]))[:1]
    (decision, _) = decided("chromium-web", web=alone)
    (step,) = [step for step in decision.steps if step.about == "web-chain-incomplete"]
    assert (step.does, step.verdict, decision.verdict) == (Does.CONTINUES, None, Verdict.SOUND)
    (decision, _) = decided("firefox-web", web=alone)
    assert decision.verdict is Verdict.WARNED


def test_what_it_is_not_known_to_mind_is_told_as_such() -> None:
    """201 days break the requirements, and no browser is known to look (facts C3)."""
    long = with_public(public(*EVERY_NAME, begins=AT - timedelta(days=9), days=201))
    (decision, _) = decided("apple-web", web=long)
    (step,) = [step for step in decision.steps if step.about == "web-lifetime-too-long"]
    assert (step.does, step.verdict) == (None, None)


def test_where_the_path_ends_is_told() -> None:
    leaf = make(host("quay3"), ca(FOREIGN_ROOT), names=EVERY_NAME)
    (decision, _) = decided("chromium-web", web=(leaf.der,))
    assert said(decision, "path")[-1] == (
        f'issued by "{FOREIGN_ROOT}": and there it ends, at no root'
    )


def test_families_that_open_other_names_decide_about_those_only() -> None:
    (guests,) = decided("captive-web")
    assert guests.opened == (GUEST,)
    (own,) = decided("node")
    assert own.opened == (host("quay3"),)


def test_supplicants_decide_once_for_methods_that_show_the_same() -> None:
    (decision,) = decided("windows-eap")
    assert (decision.endpoint, decision.setup) == (Endpoint.EAP, "profile")
    assert decision.opened == ("PEAP", "EAP-TTLS", "EAP-TLS")
    assert said(decision, "name") == [f"'{RADIUS}' is as '{RADIUS}' demands"]
    assert PRIVATE_ISSUING in said(decision, "path")[1]
    assert PRIVATE_ROOT in said(decision, "path")[2]


def test_each_setup_on_site_decides_for_itself() -> None:
    of = plan(clients=clients("apple-eap", by_hand=("apple-eap",)))
    by_profile, by_hand = decided("apple-eap", of=of, eap=with_private(private("other.example")))
    assert (by_profile.setup, by_profile.verdict) == ("profile", Verdict.WARNED)
    assert (by_hand.setup, by_hand.verdict) == ("by-hand", Verdict.SOUND)
    assert said(by_hand, "name") == ["none is compared: it was set up by hand"]


def test_what_differs_from_other_nodes_is_told_once_for_all_methods() -> None:
    of = plan(clients=clients(by_hand=("apple-eap",)))
    survey = seen(of, eap={"eap/quay3": with_private(private(RADIUS))}, depth=Depth.NODE)
    (decision,) = decide(of, survey, node="quay3", family="apple-eap", at=AT)
    (step,) = [step for step in decision.steps if step.about == "eap-leaf-differs"]
    assert (step.does, decision.verdict) == (Does.WARNS, Verdict.WARNED)
    assert "quay3 serves for EAP another certificate" in step.says


def test_a_family_that_is_not_on_site_is_taken_as_set_up_by_profile() -> None:
    (decision,) = decided("linux-eap", of=plan(clients=clients("chromium-web")))
    assert decision.setup == "profile"


def test_an_endpoint_that_shows_nothing_is_told_by_its_rule() -> None:
    (decision,) = decided("chromium-web", web=Outcome.CLOSED)[:1]
    assert [step.about for step in decision.steps] == ["web-closed"]
    assert decision.verdict is Verdict.BLOCKED


@pytest.mark.parametrize("family", FAMILIES)
def test_nothing_is_decided_that_no_finding_says(family: str) -> None:
    """As the whole judgement would decide with this family alone on site."""
    chain = with_private(private(*EVERY_NAME, begins=AT - timedelta(days=91), days=90))
    of = replace(plan(), clients=clients(family))
    survey = seen(of, web={"web/quay3": chain}, eap={"eap/quay3": chain})
    findings = judged(of, survey).findings
    told = {one.rule for one in findings} | {sub.rule for one in findings for sub in one.folded}
    decisions = decide(of, survey, node="quay3", family=family, at=AT)
    rules = {step.about for one in decisions for step in one.steps} - {"roots", "path", "name"}
    assert rules
    assert rules <= told
