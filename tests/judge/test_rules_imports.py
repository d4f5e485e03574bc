"""After an import: what is not as it was to be, and each rule's healthy twin."""

import hashlib
from collections.abc import Sequence
from datetime import timedelta
from typing import Any

import pytest

from probe.assessment import Assessment, Stage
from probe.certificate.container import Expected
from probe.certificate.facts import facts_of
from probe.judge.imported import Imported
from probe.observation.model import (
    Aspect,
    Endpoint,
    Outcome,
    Question,
    Served,
    Survey,
    fingerprint,
)
from probe.plan.model import Acceptance
from probe.records import replace
from tests.judge import radsec_world
from tests.judge.pki import AT, make
from tests.judge.world import (
    GUEST,
    HOSTS,
    NODES,
    PRIVATE_ISSUING,
    PRIVATE_ROOT,
    RADIUS,
    Chain,
    ca,
    eap_chain,
    folded,
    host,
    judged,
    plan,
    private,
    public,
    seen,
    told,
    web_chain,
    with_private,
    with_public,
)

NEW = {"begins": AT - timedelta(hours=2), "days": 90}


def new_web(**changes: Any) -> Chain:
    return with_public(public(*HOSTS, GUEST, **{**NEW, **changes}))


def new_eap(**changes: Any) -> Chain:
    return with_private(private(RADIUS, **{**NEW, **changes}))


def expecting(
    chain: Chain | Sequence[Chain], survey: Survey, endpoint: Endpoint | None = None, **more: Any
) -> Assessment:
    chains = [chain] if isinstance(chain[0], bytes) else chain
    what = Imported(tuple(Expected(tuple(one)) for one in chains), endpoint)
    return judged(more.pop("of", plan()), survey, expected=what, **more)


def stages(assessment: Assessment) -> dict[str, Stage]:
    (one,) = assessment.expected
    return {at.node: at.stage for at in one.at}


def endpoints(assessment: Assessment) -> set[Endpoint]:
    (one,) = assessment.expected
    return {at.endpoint for at in one.at}


# ---------------------------------------------------------------- not served, and served


def test_nobody_serves_the_web_certificate() -> None:
    assessment = expecting(new_web(), seen(plan()))
    assert told(assessment) == [("import-not-served", "web", NODES, None)]
    (finding,) = assessment.findings
    assert finding.verdict.word == "warned"
    assert "still the one before it" in finding.says
    assert finding.certificates == (fingerprint(web_chain()[0]),)
    assert not assessment.expected[0].fulfilled
    assert not assessment.headline.felt, "who comes there is not warned of anything"


def test_nobody_serves_the_eap_certificate() -> None:
    assessment = expecting(new_eap(), seen(plan()))
    assert told(assessment) == [("import-not-served", "eap", NODES, None)]


def test_all_serve_it() -> None:
    for chain, on in ((new_web(), "web"), (new_eap(), "eap")):
        assessment = expecting(chain, seen(plan(), **{on: {"": chain}}))
        assert told(assessment) == []
        assert assessment.expected[0].fulfilled
        assert endpoints(assessment) == {Endpoint(on)}


def test_nothing_is_said_where_nothing_was_expected() -> None:
    assert judged(plan(), seen(plan())).expected == ()


def test_what_is_silent_is_not_said_to_serve_something_else() -> None:
    survey = seen(plan(), eap={"": new, "/quay2/": Outcome.SILENT} if (new := new_eap()) else {})
    assessment = expecting(new, survey)
    assert told(assessment) == [("eap-silent", "eap", ("quay2",), None)]
    assert stages(assessment)["quay2"] is Stage.UNSEEN
    assert not assessment.expected[0].fulfilled


# ---------------------------------------------------------------- some nodes


@pytest.mark.parametrize("missed", [NODES[1:], NODES[-1:], NODES[2:]])
def test_nodes_that_the_import_has_not_reached(missed: tuple[str, ...]) -> None:
    new = new_eap()
    survey = seen(plan(), eap={"": new} | {f"/{node}/": eap_chain() for node in missed})
    assessment = expecting(new, survey)
    assert told(assessment) == [("import-node-missed", "eap", missed, None)]
    assert "eap-half-renewed" in folded(assessment)
    assert "restart the RADIUS service" in assessment.findings[0].remedy


def test_web_nodes_that_the_import_has_not_reached() -> None:
    new = new_web()
    assessment = expecting(new, seen(plan(), web={"": new, "/quay4/": web_chain()}))
    assert told(assessment) == [("import-node-missed", "web", ("quay4",), None)]
    assert "cluster-half-renewed" in folded(assessment)


def test_an_expired_one_that_is_left_is_explained_by_it() -> None:
    old = with_private(private(RADIUS, begins=AT - timedelta(days=100), days=99))
    new = new_eap()
    assessment = expecting(new, seen(plan(), eap={"": new, "/quay4/": old}))
    assert told(assessment) == [("import-node-missed", "eap", ("quay4",), None)]
    (finding,) = assessment.findings
    assert finding.verdict.word == "blocked", "the worst of what it explains"
    assert "eap-expired" in folded(assessment)


def test_one_that_is_as_bad_is_not_explained_by_it() -> None:
    """The new certificate has ended as well: importing it mends nothing."""
    ended = {"begins": AT - timedelta(days=99), "days": 98}
    old = with_private(private(RADIUS, begins=AT - timedelta(days=100), days=98))
    new = new_eap(**ended)
    assessment = expecting(new, seen(plan(), eap={"": old}))
    assert {rule for rule, *_ in told(assessment)} == {"import-not-served", "eap-expired"}


def test_nodes_with_certificates_of_their_own_were_not_missed() -> None:
    """A certificate with one node's name is that node's; what others have is theirs."""
    own = {node: with_public(public(host(node), GUEST, **NEW)) for node in NODES}
    survey = seen(plan(), web={f"/{node}/": chain for node, chain in own.items()})
    for node, chain in own.items():
        assessment = expecting(chain, survey)
        assert told(assessment) == []
        assert set(stages(assessment)) == {node}


def test_nodes_with_certificates_of_the_same_names_were_not_missed() -> None:
    own = {node: new_eap(key_label=node) for node in NODES}
    survey = seen(plan(), eap={f"/{node}/": chain for node, chain in own.items()})
    assessment = expecting(own["quay2"], survey)
    assert told(assessment) == []
    assert stages(assessment) == {"quay2": Stage.SERVED}


def test_one_that_was_issued_again_on_the_same_day_was_missed() -> None:
    first, again = new_eap(key_label="first"), new_eap(key_label="again")
    assessment = expecting(again, seen(plan(), eap={"": first, "/quay1/": again}))
    assert told(assessment)[0] == ("import-node-missed", "eap", NODES[1:], None)


def test_names_that_have_certificates_of_their_own_are_left_alone() -> None:
    """By server name: the portal's certificate was imported, and the nodes' own are others."""
    new = with_public(public(GUEST, **NEW))
    assessment = expecting(new, seen(plan(), web={GUEST: new}))
    assert told(assessment) == []
    assert set(stages(assessment).values()) == {Stage.SERVED}


def test_what_is_known_and_taken_does_not_count() -> None:
    new = new_eap()
    known = Acceptance("import-node-missed", ("quay4",), "on Monday", AT.date())
    of = replace(plan(), accepted=(known,))
    survey = seen(of, eap={"": new, "/quay4/": eap_chain(), "/quay3/": eap_chain()})
    assessment = expecting(new, survey, of=of)
    missed = [f for f in assessment.findings if f.rule == "import-node-missed"]
    assert {f.nodes: f.counts for f in missed} == {("quay4",): False, ("quay3",): True}


# ---------------------------------------------------------------- the other endpoint


def test_the_eap_certificate_on_the_web() -> None:
    new = new_eap()
    assessment = expecting(
        new, seen(plan(), eap={"": new, "/quay4/": eap_chain()}, web={"/quay4/": new})
    )
    assert told(assessment) == [("import-other-endpoint", "web", ("quay4",), None)]
    (finding,) = assessment.findings
    assert finding.verdict.word == "blocked"
    assert "for EAP" in finding.remedy
    assert {"web-name-mismatch", "eap-half-renewed"} <= set(folded(assessment))


def test_the_web_certificate_for_eap() -> None:
    new = new_web()
    survey = seen(plan(), web={"": new, "/quay4/": web_chain()}, eap={"/quay4/": new})
    assessment = expecting(new, survey)
    assert told(assessment) == [("import-other-endpoint", "eap", ("quay4",), None)]
    assert "eap-root-differs" in folded(assessment)


def test_one_that_is_served_on_both_was_not_misplaced() -> None:
    new = new_web()
    assessment = expecting(new, seen(plan(), web={"": new}, eap={"": new}))
    assert not [f for f in assessment.findings if f.rule.startswith("import-")]


def test_somebody_may_say_what_it_is_for() -> None:
    new = new_eap()
    survey = seen(plan(), eap={"": new})
    assessment = expecting(new, survey, Endpoint.WEB)
    assert told(assessment) == [("import-other-endpoint", "eap", NODES, None)]


# ---------------------------------------------------------------- the other key family


def asked_by_family(survey: Survey, node: str, chain: Chain) -> Survey:
    """Return a survey in which a node shows a chain for EAP to who asks for its key family."""
    usual = next(r for r in survey.handshakes if r.endpoint is Endpoint.EAP and r.nodes == (node,))
    family = facts_of(chain[0]).key_family
    ask = replace(usual.asked, key_family=family, aspect=Aspect.FAMILY)
    question = Question(f"{usual.question}/{family}", Endpoint.EAP, (node,), handshake=ask)
    served = Served(tuple(map(fingerprint, chain)), key_family=family, key_proven=True)
    record = replace(usual, question=question.id, asked=ask, served=served)
    return replace(
        survey,
        questions=(*survey.questions, question),
        handshakes=(*survey.handshakes, record),
        certificates=survey.certificates | {fingerprint(der): der for der in chain},
    )


def test_the_other_key_family_is_left_on_the_web() -> None:
    new, old = new_web(), with_public(public(*HOSTS, GUEST, rsa_leaf=True))
    assessment = expecting(new, seen(plan(), web={"": new, "quay4.northpier.example/rsa": old}))
    assert ("import-other-family-left", "web", ("quay4",), None) in told(assessment)
    assert stages(assessment)["quay4"] is Stage.PARTLY


def test_the_other_key_family_is_left_for_eap() -> None:
    new, old = new_eap(), with_private(private(RADIUS, rsa_leaf=True))
    survey = asked_by_family(seen(plan(), eap={"": new}), "quay4", old)
    assessment = expecting(new, survey)
    assert told(assessment)[0] == ("import-other-family-left", "eap", ("quay4",), None)
    assert "an RSA key on quay4" in assessment.findings[0].remedy


def test_what_to_do_is_not_what_was_done_already() -> None:
    """The server shows the older ECDSA certificate to who offers both: it seems half renewed."""
    new, old = new_eap(rsa_leaf=True), eap_chain()
    survey = seen(plan(), eap={"": new, "/quay4/": old})
    assessment = expecting(new, asked_by_family(survey, "quay4", new))
    assert told(assessment) == [("import-other-family-left", "eap", ("quay4",), None)]
    assert "eap-half-renewed" in folded(assessment)
    assert "an ECDSA key on quay4" in assessment.findings[0].remedy


def test_both_were_imported() -> None:
    pair = [new_eap(), new_eap(rsa_leaf=True)]
    survey = seen(plan(), eap={"": pair[0]})
    for node in NODES:
        survey = asked_by_family(survey, node, pair[1])
    assessment = expecting(pair, survey)
    assert told(assessment) == []
    assert all(one.fulfilled for one in assessment.expected)


def test_one_of_both_was_imported() -> None:
    """An RSA certificate was to come with the ECDSA one, and the node has none at all."""
    pair = [new_eap(), new_eap(rsa_leaf=True)]
    assessment = expecting(pair, seen(plan(), eap={"": pair[0]}))
    assert told(assessment) == [("import-not-served", "eap", NODES, None)]
    assert [one.fulfilled for one in assessment.expected] == [True, False]


def test_a_kind_of_key_that_nobody_asked_for_is_not_known_to_be_missing() -> None:
    """A sweep that expected nothing asks EAP as clients do, who are shown one of two certificates.

    Its twin was asked, and shows another RSA certificate.
    """
    new = new_eap(rsa_leaf=True)
    survey = seen(plan())
    (finding,) = expecting(new, survey).findings
    assert (finding.rule, finding.verdict.word) == ("import-not-served", "unseen")
    assert "nobody asked for its kind alone" in finding.says
    for node in NODES:
        survey = asked_by_family(survey, node, with_private(private(RADIUS, rsa_leaf=True)))
    twin = next(one for one in expecting(new, survey).findings if one.rule == "import-not-served")
    assert twin.verdict.word == "warned"
    assert "nobody asked" not in twin.says


def test_certificates_of_both_endpoints_were_mixed_up() -> None:
    web, eap = new_web(), new_eap()
    right = expecting([web, eap], seen(plan(), web={"": web}, eap={"": eap}))
    assert told(right) == []
    both = seen(plan(), web={"": eap}, eap={"": eap})
    rules = {(rule, on) for rule, on, *_ in told(expecting([web, eap], both))}
    assert ("import-not-served", "web") in rules


@pytest.mark.parametrize(("days", "left"), [(300, False), (115, True)])
def test_a_pair_of_two_cas_is_renewed_each_at_its_own_time(days: int, left: bool) -> None:
    """RSA and ECDSA come from CAs of their own; the older one's renewal is due, or is not."""
    issuing = ca("Northpier Issuing R", PRIVATE_ROOT)
    begins = AT - timedelta(days=80)
    other = (
        make(RADIUS, issuing, names=(RADIUS,), rsa_leaf=True, begins=begins, days=days).der,
        issuing.der,
    )
    survey = seen(plan(), eap={"": (new := new_eap())})
    for node in NODES:
        survey = asked_by_family(survey, node, other)
    rules = {rule for rule, *_ in told(expecting(new, survey))}
    assert ("import-other-family-left" in rules) is left


# ---------------------------------------------------------------- the chain


def test_a_ca_certificate_of_the_bundle_is_not_sent() -> None:
    new = new_eap()
    assessment = expecting(new, seen(plan(), eap={"": new, "/quay4/": new[:1]}))
    assert told(assessment) == [("import-chain-differs", "eap", ("quay4",), None)]
    assert folded(assessment) == ["eap-chain-incomplete", "eap-chain-differs"]
    assert PRIVATE_ISSUING in assessment.findings[0].remedy


def test_a_web_chain_differs() -> None:
    new = new_web()
    assessment = expecting(new, seen(plan(), web={"": new, "/quay4/": new[:1]}))
    assert told(assessment) == [("import-chain-differs", "web", ("quay4",), None)]
    assert "cluster-join-untrusted" in folded(assessment)


def test_a_root_need_not_be_sent_and_more_may_be() -> None:
    root = ca(PRIVATE_ROOT).der
    new = new_eap()
    with_root = (*new, root)
    assert told(expecting(with_root, seen(plan(), eap={"": new}))) == []
    assert told(expecting(new[:1], seen(plan(), eap={"": new}))) == []


@pytest.mark.parametrize("digest", ["sha256", "sha1"])
def test_of_a_fingerprint_no_chain_is_known(digest: str) -> None:
    new = new_eap()
    what = Expected(fingerprint=hashlib.new(digest, new[0]).hexdigest())
    assessment = judged(
        plan(),
        seen(plan(), eap={"": new, "/quay3/": new[:1], "/quay4/": eap_chain()}),
        expected=what,
    )
    assert {(one.rule, one.nodes, one.verdict.word) for one in assessment.findings} == {
        ("import-node-missed", ("quay4",), "warned"),
        ("eap-chain-incomplete", ("quay3",), "blocked"),
        ("import-chain-differs", ("quay1", "quay2", "quay3"), "unseen"),
    }
    assert not assessment.expected[0].chain_known


def test_a_fingerprint_that_nobody_serves_is_told_once() -> None:
    assessment = judged(plan(), seen(plan()), expected=Expected(fingerprint="ab" * 20))
    assert told(assessment) == [("import-not-served", "web", NODES, None)]
    assert "over HTTPS or for EAP" in assessment.findings[0].says


# ---------------------------------------------------------------- one time and another


def test_old_and_new_at_one_address_is_on_the_way() -> None:
    new = new_web()
    survey = seen(plan(), web={"": new})
    usual = next(r for r in survey.handshakes if r.endpoint is Endpoint.WEB)
    ask = replace(usual.asked, aspect=Aspect.AGAIN)
    question = Question(f"{usual.question}/again/2", Endpoint.WEB, usual.nodes, handshake=ask)
    served = Served(tuple(map(fingerprint, web_chain())), key_proven=True)
    survey = replace(
        survey,
        questions=(*survey.questions, question),
        handshakes=(
            *survey.handshakes,
            replace(usual, question=question.id, asked=ask, served=served),
        ),
        certificates=survey.certificates | {fingerprint(der): der for der in web_chain()},
    )
    assessment = expecting(new, survey)
    assert told(assessment) == [("web-unequal-answers", "web", ("quay1",), host("quay1"))]
    assert stages(assessment)["quay1"] is Stage.PARTLY


# ---------------------------------------------------------------- RadSec


def test_what_is_served_for_radsec_alone_is_meant_for_it() -> None:
    of = radsec_world.radsec_plan()
    new = with_private(private(radsec_world.RADSEC, **NEW))
    everywhere = radsec_world.seen(of, {"radsec/": new})
    assert told(expecting(new, everywhere, of=of)) == []
    half = radsec_world.seen(of, {"radsec/": new, "/quay4/": radsec_world.usual()})
    (finding,) = expecting(new, half, of=of).findings
    assert (finding.rule, finding.endpoint.value) == ("import-node-missed", "radsec")
    assert finding.nodes == ("quay4",)
    assert "RadSec service" in finding.remedy


def test_what_nobody_serves_is_meant_for_radsec_by_its_root() -> None:
    of = radsec_world.radsec_plan()
    trust = replace(of.trust, eap=of.trust.public, staff=of.trust.public)
    of = replace(of, trust=trust)
    new = with_private(private(radsec_world.RADSEC, **NEW))
    found = expecting(new, radsec_world.seen(of), of=of)
    assert [(one.rule, one.endpoint.value) for one in found.findings] == [
        ("import-not-served", "radsec")
    ]
