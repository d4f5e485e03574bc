"""A closer look at EAP: key families, repeats, methods, contexts and versions."""

from datetime import timedelta

import pytest

from probe.assessment import Verdict
from probe.observation.model import Aspect, KeyFamily, Method, Outcome, TlsVersion, Trial, TrialKind
from probe.plan.model import Client, Login, Plan, Setup
from tests.judge.eap_world import EVERY, PEAP, TLS, TTLS, Said, said, surveyed
from tests.judge.pki import AT, authority
from tests.judge.test_rules_eap_way import balanced, others
from tests.judge.world import (
    NODES,
    OWN,
    RADIUS,
    Chain,
    clients,
    folded,
    judged,
    noted,
    plan,
    private,
    roots,
    told,
    trust,
    with_private,
)

FIRST = ("quay1",)
THIRD = ("quay3",)
OLD = with_private(private(RADIUS, begins=AT - timedelta(days=91), days=90))


def rsa(*names: str, **changes: object) -> Chain:
    return with_private(private(*names, rsa_leaf=True, **changes))


def of_family(node: str, chain: Chain, version: TlsVersion = TlsVersion.TLS1_3) -> Said:
    return said(
        node,
        f"PEAP/rsa/{version}",
        chain,
        aspect=Aspect.FAMILY,
        key_family=KeyFamily.RSA,
        tls=version,
    )


def again(node: str, chain: Chain, turn: int = 1, **more: object) -> Said:
    tail = f"PEAP/again/{turn + 1}"
    return said(node, tail, chain, aspect=Aspect.AGAIN, turn=turn, **more)  # type: ignore[arg-type]  # passed through


# ---------------------------------------------------------------- key families


def test_a_left_over_of_the_other_family() -> None:
    chain = rsa(RADIUS, begins=AT - timedelta(days=91), days=90)
    both = [of_family("quay1", chain), of_family("quay1", chain, TlsVersion.TLS1_2)]
    result = judged(plan(), surveyed(said("quay1"), *both))
    assert told(result) == [("eap-expired", "eap", FIRST, None)]
    assert folded(result) == ["eap-families-differ"]
    assert 'the RSA certificate "radius.northpier.example"' in result.findings[0].says


def test_a_name_that_one_family_lacks() -> None:
    result = judged(plan(), surveyed(said("quay1"), of_family("quay1", rsa(OWN))))
    assert told(result) == [("eap-families-differ", "eap", FIRST, None)]
    assert folded(result) == ["eap-name-unexpected"]
    (finding,) = result.findings
    assert finding.verdict is Verdict.BLOCKED
    assert RADIUS in finding.remedy
    assert "quay1" in finding.remedy
    assert "RADIUS service" in finding.remedy


def test_other_dates_and_another_issuing_ca_are_healthy() -> None:
    other = rsa(RADIUS, OWN, begins=AT - timedelta(days=3), days=50)
    result = judged(plan(), surveyed(said("quay1"), of_family("quay1", other)))
    assert told(result) == []


def test_one_family_of_the_two_that_both_lack_the_name_is_no_difference() -> None:
    survey = surveyed(
        said("quay1", "PEAP", with_private(private(OWN))), of_family("quay1", rsa(OWN))
    )
    result = judged(plan(), survey)
    assert told(result) == [("eap-name-unexpected", "eap", FIRST, None)]
    assert folded(result) == []


# ---------------------------------------------------------------- repeats


def test_one_address_that_answers_now_so_and_now_so() -> None:
    renewed = with_private(private(RADIUS, begins=AT - timedelta(days=1)))
    result = judged(plan(), surveyed(said("quay1"), again("quay1", renewed)))
    assert told(result) == [("eap-unequal-answers", "eap", FIRST, None)]
    (finding,) = result.findings
    assert finding.verdict is Verdict.ADVISED
    assert "for EAP different certificates from one time to the next" in finding.says
    assert "RADIUS service on quay1" in finding.remedy


def test_what_is_wrong_with_one_of_unequal_answers_goes_under_it() -> None:
    result = judged(plan(), surveyed(said("quay1"), again("quay1", OLD)))
    assert told(result) == [("eap-unequal-answers", "eap", FIRST, None)]
    assert folded(result) == ["eap-expired"]
    assert result.findings[0].verdict is Verdict.BLOCKED


def test_what_is_wrong_with_all_of_them_stays_a_finding() -> None:
    older = with_private(private(RADIUS, begins=AT - timedelta(days=121), days=90))
    result = judged(plan(), surveyed(said("quay1", "PEAP", OLD), again("quay1", older)))
    assert ("eap-expired", "eap", FIRST, None) in told(result)
    assert ("eap-unequal-answers", "eap", FIRST, None) in told(result)


def test_nodes_in_turn_behind_a_virtual_address_are_healthy() -> None:
    own = {node: with_private(private(RADIUS)) for node in NODES}
    asked = [said(node, "PEAP", own[node]) for node in NODES]
    turns = [
        said(RADIUS, "PEAP", own["quay1"], nodes=NODES),
        *(
            again(RADIUS, own[node], turn, nodes=NODES)
            for turn, node in ((1, "quay2"), (2, "quay3"))
        ),
    ]
    assert told(judged(balanced(), surveyed(*asked, *turns))) == []


def test_what_nodes_that_were_not_asked_serve_behind_it_is_healthy_too() -> None:
    """`probe node quay1`: the balancer leads to the others as well."""
    other = with_private(private(RADIUS))
    turns = [
        said(RADIUS, "PEAP", None, nodes=FIRST),
        again(RADIUS, other, nodes=FIRST),
    ]
    assert told(judged(balanced(), surveyed(said("quay1"), *turns))) == []


def test_what_no_node_serves_behind_it_is_not() -> None:
    """The twin."""
    left_out = with_private(private(RADIUS))
    turns = [said(RADIUS, "PEAP", None, nodes=NODES), again(RADIUS, left_out, nodes=NODES)]
    result = judged(balanced(), surveyed(*others(), *turns))
    assert told(result) == [("eap-unequal-answers", "eap", NODES, None)]


# ---------------------------------------------------------------- methods of one node


def in_method(node: str, method: Method, chain: Chain | None = None) -> Said:
    return said(node, method.value, chain, methods=(method,))


def test_another_certificate_in_another_method_is_a_note() -> None:
    other = with_private(private(RADIUS))
    survey = surveyed(
        *(in_method(n, PEAP) for n in NODES), *(in_method(n, TTLS, other) for n in NODES)
    )
    result = judged(plan(), survey)
    assert told(result) == []
    assert noted(result) == [("eap-method-differs", NODES)]
    assert "in EAP-TTLS" in result.notes[0].says


def test_one_that_fails_in_one_method_alone_is_told_by_what_fails() -> None:
    survey = surveyed(in_method("quay1", PEAP), in_method("quay1", TTLS, OLD))
    result = judged(plan(), survey)
    assert told(result) == [("eap-expired", "eap", FIRST, None)]
    assert folded(result) == ["eap-method-differs"]


def test_one_certificate_in_every_method_is_no_difference() -> None:
    result = judged(plan(), surveyed(in_method("quay1", PEAP), in_method("quay1", TTLS)))
    assert noted(result) == []


def test_what_differs_from_one_time_to_the_next_does_not_differ_by_method() -> None:
    other = with_private(private(RADIUS))
    survey = surveyed(
        in_method("quay1", PEAP), in_method("quay1", TTLS, other), again("quay1", other)
    )
    assert [rule for rule, _ in noted(judged(plan(), survey))] == []


# ---------------------------------------------------------------- contexts of one node


def as_visit(node: str, chain: Chain | None = None, agreed: Method = PEAP) -> Said:
    methods = (PEAP, TTLS, TLS)
    return said(node, "PEAP/wired", chain, methods=methods, agreed=agreed, visit="wired")


def test_another_certificate_in_another_context_is_a_note() -> None:
    other = with_private(private(RADIUS))
    result = judged(plan(), surveyed(said("quay1"), as_visit("quay1", other)))
    assert told(result) == []
    assert noted(result) == [("eap-visit-differs", FIRST)]
    assert 'as "wired"' in result.notes[0].says


def test_contexts_are_compared_in_the_same_method() -> None:
    other = with_private(private(RADIUS))
    survey = surveyed(
        said("quay1"), in_method("quay1", TTLS, other), as_visit("quay1", other, TTLS)
    )
    assert [rule for rule, _ in noted(judged(plan(), survey))] == ["eap-method-differs"]


def test_one_that_fails_in_one_context_alone_is_told_by_what_fails() -> None:
    result = judged(plan(), surveyed(said("quay1"), as_visit("quay1", OLD)))
    assert told(result) == [("eap-expired", "eap", FIRST, None)]
    assert folded(result) == ["eap-visit-differs"]


# ---------------------------------------------------------------- methods between nodes


def rest(
    node: str, outcome: Outcome | None, *methods: Method, agreed: Method | None = None
) -> Said:
    return said(node, methods[0].value, outcome, methods=methods, agreed=agreed)


def refusing_tls(node: str) -> Said:
    return said(node, "EAP-TLS", Outcome.METHOD_REFUSED, methods=(TLS, TTLS))


def test_a_method_that_one_node_refuses_is_a_note() -> None:
    survey = surveyed(
        *others(),
        *(rest(node, None, TLS, TTLS) for node in NODES if node != "quay3"),
        refusing_tls("quay3"),
    )
    result = judged(plan(), survey)
    assert told(result) == []
    assert noted(result) == [("cluster-methods-differ", THIRD)]
    assert result.notes[0].says.startswith("quay3 does not agree to EAP-TLS, and quay1")


def needing(**changes: object) -> Plan:
    known = trust()
    device = roots("device-ca.pem", authority("Northpier Device CA"))
    return plan(
        trust=type(known)(known.public, known.web, known.staff, known.eap, known.node, (device,)),
        **changes,
    )


def test_one_that_clients_of_the_plan_need_blocks_them() -> None:
    survey = surveyed(
        *others(),
        *(rest(node, None, TLS, TTLS) for node in NODES if node != "quay3"),
        refusing_tls("quay3"),
    )
    of = needing(clients=clients("windows-eap", "linux-eap"))
    result = judged(of, survey)
    assert told(result) == [("cluster-methods-differ", "cluster", THIRD, None)]
    (finding,) = result.findings
    assert finding.verdict is Verdict.BLOCKED
    assert finding.clients == ("windows-eap", "linux-eap")
    assert "on quay1, quay2 and quay4" in finding.remedy
    assert noted(result) == []


def test_so_does_the_method_of_the_test_account() -> None:
    survey = surveyed(*others("quay3"), refusing_peap("quay3"), rest("quay3", None, TTLS))
    of = plan(login=Login(PEAP), clients=(Client("linux-eap", Setup.PROFILE),))
    assert told(judged(of, survey)) == [("cluster-methods-differ", "cluster", THIRD, None)]


def refusing_peap(node: str) -> Said:
    return said(node, "PEAP", Outcome.METHOD_REFUSED, methods=(PEAP,))


def test_what_a_node_was_not_made_to_choose_is_no_difference() -> None:
    """Of two methods that are agreed to, each server proposes the one that it likes better."""
    survey = surveyed(
        *others(),
        *(rest(node, None, TTLS, TLS, agreed=TTLS) for node in NODES if node != "quay3"),
        rest("quay3", None, TTLS, TLS, agreed=TLS),
    )
    result = judged(plan(), survey)
    assert told(result) == []
    assert [rule for rule, _ in noted(result)] == []


@pytest.mark.parametrize("some", [NODES, THIRD])
def test_one_that_clients_need_and_that_every_node_asked_refuses_blocks_them(
    some: tuple[str, ...],
) -> None:
    """Whoever has a certificate of the plan's issuer gets in nowhere; so it is at one node that is
    looked at alone (probe node)."""
    refusing = [said(node, "EAP-TLS", Outcome.METHOD_REFUSED, methods=(TLS,)) for node in some]
    result = judged(needing(), surveyed(*(said(node) for node in some), *refusing))
    assert told(result) == [("eap-method-refused", "eap", some, None)]
    (finding,) = result.findings
    assert finding.verdict is Verdict.BLOCKED
    assert "does not agree to EAP-TLS" in finding.says
    assert "Allow EAP-TLS" in finding.remedy
    assert noted(result) == []


def test_a_method_that_every_node_refuses_is_no_difference() -> None:
    survey = surveyed(*others(), *(refusing_tls(node) for node in NODES))
    result = judged(plan(), survey)
    assert told(result) == []
    assert noted(result) == [("eap-method-refused", NODES)]


def test_a_node_that_agrees_to_nothing_is_told_by_that() -> None:
    survey = surveyed(*others("quay3"), refusing_peap("quay3"), refusing_tls("quay3"))
    result = judged(plan(), survey)
    assert told(result) == [("eap-method-refused", "eap", THIRD, None)]
    assert noted(result) == []


def test_nodes_that_choose_different_versions_are_a_note() -> None:
    survey = surveyed(*others("quay3"), said("quay3"))
    assert noted(judged(plan(), survey)) == []
    older = said("quay3", "PEAP", None, served_in=TlsVersion.TLS1_2)
    result = judged(plan(), surveyed(*others("quay3"), older))
    assert told(result) == []
    assert noted(result) == [("cluster-methods-differ", THIRD)]
    assert "TLS 1.2" in result.notes[0].says


# ---------------------------------------------------------------- old versions


def refused_then_old(node: str) -> list[Said]:
    """The first conversation offers today's versions, the second every one."""
    return [
        said(node, "PEAP", Outcome.REFUSED),
        said(
            node,
            "EAP-TTLS",
            None,
            methods=(TTLS, TLS),
            tls=EVERY,
            served_in=TlsVersion.TLS1_1,
        ),
    ]


def test_a_server_that_speaks_nothing_newer() -> None:
    """RFC 8996, 4 and 5."""
    result = judged(plan(), surveyed(*others("quay3"), *refused_then_old("quay3")))
    assert told(result) == [("eap-old-tls", "eap", THIRD, None)]
    (finding,) = result.findings
    assert finding.verdict is Verdict.BLOCKED
    assert finding.says == "quay3 speaks nothing newer than TLS 1.1 for EAP."
    assert "quay3" in finding.remedy


def test_who_does_not_mind_is_not_blocked() -> None:
    of = plan(clients=clients("android-eap"))
    survey = surveyed(*others("quay3"), *refused_then_old("quay3"))
    (finding,) = judged(of, survey).findings
    assert (finding.rule, finding.verdict) == ("eap-old-tls", Verdict.ADVISED)


def test_the_wider_offer_of_one_conversation_tells_the_same() -> None:
    trial = Trial(TrialKind.WIDER_OFFER, Outcome.SERVED, "TLSv1: the chain came")
    refused = said("quay3", "PEAP", Outcome.REFUSED, trials=[trial])
    result = judged(plan(), surveyed(*others("quay3"), refused))
    assert told(result) == [("eap-old-tls", "eap", THIRD, None)]
    assert "TLS 1.0" in result.findings[0].says


def test_every_node_of_an_old_kind_is_one_finding() -> None:
    every = [one for node in NODES for one in refused_then_old(node)]
    assert told(judged(plan(), surveyed(*every))) == [("eap-old-tls", "eap", NODES, None)]


def test_the_certificate_of_an_old_server_is_judged_too() -> None:
    first, second = refused_then_old("quay3")
    ended = said(
        "quay3",
        "EAP-TTLS",
        OLD,
        methods=(TTLS, TLS),
        tls=EVERY,
        served_in=TlsVersion.TLS1_0,
    )
    result = judged(plan(), surveyed(*others("quay3"), first, ended))
    assert second.question == ended.question
    assert {rule for rule, *_ in told(result)} == {"eap-old-tls", "eap-expired"}


def asked_old(node: str, ended: Outcome | Chain | None) -> Said:
    return said(
        node,
        "PEAP/old/TLSv1",
        ended,
        aspect=Aspect.OLD_VERSION,
        tls=(TlsVersion.TLS1_0,),
        served_in=TlsVersion.TLS1_0,
    )


def test_in_depth_the_certificate_of_an_old_server_is_judged_too() -> None:
    """It is shown to an old hello alone."""
    refused = said("quay1", "PEAP", Outcome.REFUSED)
    result = judged(plan(), surveyed(refused, asked_old("quay1", OLD)))
    assert {rule for rule, *_ in told(result)} == {"eap-old-tls", "eap-expired"}
    # The twin: what others are shown is what counts.
    result = judged(plan(), surveyed(said("quay1"), asked_old("quay1", OLD)))
    assert told(result) == []


def test_old_versions_beside_newer_ones_are_a_note() -> None:
    result = judged(plan(), surveyed(said("quay1"), asked_old("quay1", None)))
    assert told(result) == []
    assert noted(result) == [("eap-old-tls", FIRST)]
    refused = judged(plan(), surveyed(said("quay1"), asked_old("quay1", Outcome.REFUSED)))
    assert noted(refused) == []


def test_what_only_an_old_hello_is_answered_is_nothing_newer() -> None:
    """In depth: today's hello is refused, and that of TLS 1.0 is served."""
    survey = surveyed(said("quay1", "PEAP", Outcome.REFUSED), asked_old("quay1", None))
    assert told(judged(plan(), survey)) == [("eap-old-tls", "eap", FIRST, None)]


@pytest.mark.parametrize("ended", [Outcome.MALFORMED, Outcome.NOT_TLS])
def test_a_server_that_an_old_hello_throws_is_a_note(ended: Outcome) -> None:
    result = judged(plan(), surveyed(said("quay1"), asked_old("quay1", ended)))
    assert told(result) == []
    assert noted(result) == [("eap-old-tls", FIRST)]
