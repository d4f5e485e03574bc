"""The shape of served chains: order, surplus, and engines that disagree."""

import pytest

import probe.judge.explained
from probe.assessment import Basis, Verdict
from probe.judge.path import Explanation, explain_path
from probe.judge.path.model import Disagreement
from probe.records import replace
from tests.judge.pki import Made, authority, make
from tests.judge.world import (
    FOREIGN_ROOT,
    GUEST,
    HOSTS,
    NODES,
    PRIVATE_ISSUING,
    PRIVATE_ROOT,
    PUBLIC_ISSUING,
    PUBLIC_ROOT,
    RADIUS,
    Chain,
    ca,
    clients,
    eap_chain,
    guest_service,
    judged,
    nodes,
    noted,
    plan,
    private,
    public,
    roots,
    seen,
    told,
    trust,
    web_chain,
)

THIRD = ("quay3",)
WEB_LEAF = public(*HOSTS, GUEST)
EAP_LEAF = private(RADIUS)
WEB_CA, EAP_CA = ca(PUBLIC_ISSUING, PUBLIC_ROOT), ca(PRIVATE_ISSUING, PRIVATE_ROOT)
WEB_ASTRAY = authority(PUBLIC_ISSUING, ca(FOREIGN_ROOT))
EAP_ASTRAY = authority(PRIVATE_ISSUING, ca(FOREIGN_ROOT))


def chain(*made: Made) -> Chain:
    return tuple(one.der for one in made)


def test_only_searching_clients_find_the_path_of_an_eap_chain() -> None:
    answer = chain(EAP_LEAF, EAP_ASTRAY, EAP_CA)
    result = judged(plan(), seen(plan(), eap={"eap/": answer}))
    assert told(result) == [("eap-chain-disordered", "eap", NODES, None)]
    (finding,) = result.findings
    assert (finding.verdict, finding.clients) == (Verdict.BLOCKED, ("linux-eap",))
    assert finding.basis is Basis.MEASURED
    assert finding.certificates == (EAP_ASTRAY.sha,)
    assert f'"{PRIVATE_ISSUING}" (SHA-256 {EAP_CA.sha[:16]}...) before' in finding.remedy
    assert f'before "{PRIVATE_ISSUING}" (SHA-256 {EAP_ASTRAY.sha[:16]}...)' in finding.remedy
    assert "unable to get local issuer certificate" in finding.evidence[0].value


def test_it_is_a_note_where_nobody_is_known_not_to_search() -> None:
    of = plan(clients=clients("apple-eap", "windows-eap"))
    answer = chain(EAP_LEAF, EAP_ASTRAY, EAP_CA)
    result = judged(of, seen(of, eap={"eap/": answer}))
    assert told(result) == []
    assert ("eap-chain-disordered", NODES) in noted(result)
    (note,) = [note for note in result.notes if note.rule == "eap-chain-disordered"]
    assert f'Serve "{PRIVATE_ISSUING}" (SHA-256 {EAP_CA.sha[:16]}...) before' in note.says


def test_browsers_search_and_other_nodes_do_not() -> None:
    answer = chain(WEB_LEAF, WEB_ASTRAY, WEB_CA)
    result = judged(plan(), seen(plan(), web={"web/quay3": answer}))
    assert told(result) == [("web-chain-disordered", "web", THIRD, None)]
    assert result.findings[0].clients == ("node",)
    alone = plan(clients=clients("chromium-web", "firefox-web", "apple-web"))
    result = judged(alone, seen(alone, web={"web/quay3": answer}))
    assert told(result) == []
    assert noted(result) == [("web-chain-disordered", THIRD)]


def test_the_other_order_is_well_served() -> None:
    """The twin: the good one first. A cross-certificate is no surplus."""
    web, eap = chain(WEB_LEAF, WEB_CA, WEB_ASTRAY), chain(EAP_LEAF, EAP_CA, EAP_ASTRAY)
    result = judged(plan(), seen(plan(), web={"web/": web}, eap={"eap/": eap}))
    assert told(result) == []
    assert noted(result) == []


def test_an_order_that_every_client_of_today_takes_is_a_note() -> None:
    """RFC 8446, 4.4.2 against RFC 5246, 7.4.2."""
    answer = chain(WEB_LEAF, ca(PUBLIC_ROOT), WEB_CA)
    result = judged(plan(), seen(plan(), web={"web/quay3": answer}))
    assert told(result) == []
    assert noted(result) == [("web-chain-disordered", THIRD)]
    assert f'"{PUBLIC_ROOT}" should stand further behind' in result.notes[0].says


@pytest.mark.parametrize(
    ("extra", "surplus"),
    [
        ((ca(PUBLIC_ROOT),), False),
        ((), False),
        ((EAP_CA,), True),
        ((ca(FOREIGN_ROOT),), True),
        ((WEB_CA,), True),
        ((make("stray"),), True),
    ],
    ids=["its root", "nothing", "another CA", "another root", "twice", "another leaf"],
)
def test_what_does_not_belong_to_the_chain(extra: tuple[Made, ...], *, surplus: bool) -> None:
    """A served root of the chain is none: it helps those who accept it by hand (facts E7)."""
    answer = chain(WEB_LEAF, WEB_CA, *extra)
    result = judged(plan(), seen(plan(), web={"web/quay3": answer}))
    assert told(result) == []
    assert noted(result) == ([("web-chain-surplus", THIRD)] if surplus else [])
    for made in extra if surplus else ():
        assert made.sha[:16] in result.notes[0].says


def test_one_note_for_all_nodes_with_the_same_surplus() -> None:
    answer = (*eap_chain(), WEB_CA.der, WEB_CA.der)
    result = judged(plan(), seen(plan(), eap={"eap/": answer}))
    assert noted(result) == [("eap-chain-surplus", NODES)]
    assert "does not belong to the chain, and" in result.notes[0].says
    assert "more than once in the chain." in result.notes[0].says


def test_an_engine_that_disagrees_is_a_visible_row(monkeypatch: pytest.MonkeyPatch) -> None:
    def contradicted(*args: object, **given: object) -> Explanation:
        explanation = explain_path(*args, **given)  # type: ignore[arg-type]  # passed through
        return replace(explanation, disagreements=(Disagreement("OpenSSL", "it refuses it"),))

    monkeypatch.setattr(probe.judge.explained, "explain_path", contradicted)
    result = judged(plan(), seen(plan()))
    assert noted(result) == [("web-path-invalid", NODES), ("eap-path-invalid", NODES)]
    assert "on which OpenSSL disagrees with this report: it refuses it." in result.notes[0].says


def test_a_thousand_nodes_with_one_chain_cost_as_many_explanations_as_four(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """One for each kind of client and set of roots, witnesses included."""
    made: list[object] = []

    def counted(*args: object, **given: object) -> Explanation:
        made.append(given)
        return explain_path(*args, **given)  # type: ignore[arg-type]  # passed through

    monkeypatch.setattr(probe.judge.explained, "explain_path", counted)

    def cost(names: tuple[str, ...]) -> int:
        of = plan(nodes=nodes(names), services=(guest_service(nodes=names),))
        survey = seen(of, web={"web/": web_chain()}, eap={"eap/": eap_chain()})
        made.clear()
        judged(of, survey)
        return len(made)

    four = cost(NODES)
    assert cost(tuple(f"quay{number}" for number in range(1, 1_001))) == four
    assert four < 12


def test_a_missing_intermediate_that_the_plan_has_as_an_anchor_of_another_world() -> None:
    root, issuing = ca(PRIVATE_ROOT), ca(PRIVATE_ISSUING, PRIVATE_ROOT)
    worlds = replace(
        trust(), staff=(roots("root.pem", root),), eap=(roots("issuing.pem", issuing),), node=()
    )
    of = plan(trust=worlds, services=())
    # Nobody serves it: the plan alone has it.
    alone = {"web": {"web/": (private(*HOSTS).der,)}, "eap": {"eap/": (private(RADIUS).der,)}}
    result = judged(of, seen(of, **alone))
    assert [finding.rule for finding in result.findings] == ["web-chain-incomplete"]
    assert "Northpier Issuing" in result.findings[0].says
