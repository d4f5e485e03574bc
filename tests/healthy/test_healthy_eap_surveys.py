"""Healthy RADIUS servers of every shape, looked at closely: no finding at all."""

from collections.abc import Callable
from datetime import timedelta

import pytest

from probe.assessment import Verdict
from probe.observation.model import (
    Aspect,
    Endpoint,
    Handshake,
    Method,
    Outcome,
    RadiusSeen,
    Survey,
    TlsVersion,
)
from probe.observe.agenda import Depth, agenda
from probe.plan.model import Audience, Eap, Plan, Service, Visit
from probe.records import replace
from tests.judge.eap_world import CURRENT, EVERY, PEAP, TLS, TTLS, said, surveyed
from tests.judge.pki import AT, authority, make
from tests.judge.world import (
    NODES,
    PRIVATE_ROOT,
    RADIUS,
    ca,
    clients,
    host,
    judged,
    nodes,
    plan,
    private,
    roots,
    seen,
    trust,
    with_private,
)

Cluster = tuple[Plan, Survey]


def altered(survey: Survey, change: Callable[[Handshake], Handshake]) -> Survey:
    """Return a survey whose EAP records that were served show something more."""
    records = tuple(
        change(r) if r.endpoint is Endpoint.EAP and r.served else r for r in survey.handshakes
    )
    return replace(survey, handshakes=records)


def every_question_in_depth() -> Cluster:
    of = plan()
    return of, seen(of, depth=Depth.NODE)


def both_key_families() -> Cluster:
    """With other dates and another serial number, of the same CA."""
    rsa = with_private(private(RADIUS, rsa_leaf=True, begins=AT - timedelta(days=12), days=80))
    return plan(), seen(plan(), depth=Depth.NODE, eap={"/rsa/": rsa})


def both_key_families_of_different_issuing_cas() -> Cluster:
    issuing = authority("Northpier Issuing RSA", ca(PRIVATE_ROOT))
    other = make(RADIUS, issuing, names=[RADIUS], rsa_leaf=True)
    return plan(), seen(plan(), depth=Depth.NODE, eap={"/rsa/": (other.der, issuing.der)})


def a_leaf_for_each_node_in_depth() -> Cluster:
    own = {f"eap/{node}": with_private(private(host(node), RADIUS)) for node in NODES}
    return plan(), seen(plan(), depth=Depth.NODE, eap=own)


def nodes_in_turn_behind_a_virtual_address() -> Cluster:
    virtual = Service(RADIUS, Endpoint.EAP, Audience.STAFF, NODES, addresses=("192.0.2.90",))
    of = plan(services=(virtual,))
    own = {f"eap/{node}/": with_private(private(RADIUS)) for node in NODES}
    turns = {
        "192.0.2.90:1812/PEAP": own["eap/quay1/"],
        "192.0.2.90:1812/PEAP/again/2": own["eap/quay2/"],
        "192.0.2.90:1812/PEAP/again/3": own["eap/quay3/"],
    }
    return of, seen(of, depth=Depth.NODE, eap=own | turns)


def one_node_behind_a_virtual_address() -> Cluster:
    """`probe node quay1`: its neighbours answer there too."""
    virtual = Service(RADIUS, Endpoint.EAP, Audience.STAFF, NODES, addresses=("192.0.2.90",))
    of = plan(services=(virtual,))
    asked = {q.id for q in agenda(of, Depth.NODE, nodes=("quay1",))}
    whole = seen(of, depth=Depth.NODE, eap={"90:1812/PEAP/again/2": with_private(private(RADIUS))})
    questions = tuple(
        replace(q, nodes=("quay1",)) for q in whole.questions if q.id in asked and q.handshake
    )
    records = tuple(replace(r, nodes=("quay1",)) for r in whole.handshakes if r.question in asked)
    return of, replace(whole, questions=questions, lookups=(), handshakes=records)


def another_certificate_in_each_method_and_context() -> Cluster:
    eap = Eap(expected_names=(RADIUS,), visits=(Visit("wired dock", medium="wired"),))
    of = plan(nodes=nodes(eap=eap), eap=eap)
    answers = {
        "/EAP-TTLS": with_private(private(RADIUS)),
        "/wired dock": with_private(private(RADIUS)),
    }
    return of, seen(of, depth=Depth.NODE, eap=answers)


def some_methods_are_not_spoken() -> Cluster:
    """Every node speaks PEAP and no other method of the plan."""
    of = plan()
    answers = {"/EAP-TTLS": Outcome.METHOD_REFUSED, "/EAP-TLS": Outcome.METHOD_REFUSED}
    return of, seen(of, depth=Depth.NODE, eap=answers)


def one_node_lacks_a_method_that_nobody_is_known_to_need() -> Cluster:
    of = plan()
    return of, seen(of, eap={"quay3/192.0.2.13:1812/EAP-TTLS": Outcome.METHOD_REFUSED})


def families_and_old_versions_are_refused_by_whatever_ending() -> Cluster:
    of = plan()
    endings = {"/rsa/TLSv1.2": Outcome.REFUSED, "/rsa/TLSv1.3": Outcome.CUT_OFF}
    endings |= {"/old/TLSv1": Outcome.CUT_OFF, "/old/TLSv1.1": Outcome.REFUSED}
    return of, seen(of, depth=Depth.NODE, eap=endings)


def repeats_are_rejected_early() -> Cluster:
    """By a policy that knows one identity, or that suppresses who fails repeatedly."""
    return plan(), seen(plan(), depth=Depth.NODE, eap={"/again/": Outcome.REJECTED})


def old_versions_are_spoken_besides() -> Cluster:
    """For a scanner of long ago; everybody else gets TLS 1.3."""
    asked = [said(node) for node in NODES]
    for node in NODES:
        for version in EVERY[:2]:
            asked.append(
                said(
                    node,
                    f"PEAP/old/{version}",
                    aspect=Aspect.OLD_VERSION,
                    tls=(version,),
                    served_in=version,
                )
            )
    return plan(), surveyed(*asked)


def some_nodes_speak_no_newer_than_tls_1_2() -> Cluster:
    def change(record: Handshake) -> Handshake:
        assert record.served is not None
        older = record.nodes in (("quay3",), ("quay4",))
        version = TlsVersion.TLS1_2 if older else TlsVersion.TLS1_3
        return replace(record, served=replace(record.served, tls=version))

    return plan(), altered(seen(plan()), change)


def signatures_and_resumption_as_is_common_today() -> Cluster:
    def change(record: Handshake) -> Handshake:
        assert record.eap is not None
        return replace(
            record,
            eap=replace(
                record.eap, resumption=("session-id", "ticket"), fragments=(1_024, 1_024, 700)
            ),
            radius=RadiusSeen(
                "Access-Reject", True, authenticator_first=False, largest_reply=1_220
            ),
        )

    return plan(), altered(seen(plan(), depth=Depth.NODE), change)


def unsigned_requests_are_dropped_or_rejected() -> Cluster:
    asked = [said(node) for node in NODES]
    dropped = said("quay1", "unsigned", Outcome.SILENT, aspect=Aspect.UNSIGNED)
    reject = RadiusSeen("Access-Reject", attributes=(("Error-Cause", "Missing-Attribute"),))
    rejected = said("quay2", "unsigned", Outcome.REJECTED, aspect=Aspect.UNSIGNED, radius=reject)
    return plan(), surveyed(*asked, dropped, rejected)


def clients_of_the_plan_find_their_ca() -> Cluster:
    """By its own name, in any order and among others; by its root's; and where none is named."""
    issuer = authority("Northpier Device CA", ca(PRIVATE_ROOT))
    known = replace(trust(), client_issuers=(roots("device-ca.pem", issuer),))
    lists: dict[str, tuple[str, ...]] = {
        "quay1": ("CN=Northpier Device CA",),
        "quay2": ("CN=Northpier Staff CA", "CN=Northpier Device CA"),
        "quay3": (f"CN={PRIVATE_ROOT}",),
        "quay4": (),
    }
    asked = [
        said(
            node,
            "EAP-TLS",
            methods=(TLS, PEAP, TTLS),
            tls=(*EVERY[:2], *CURRENT),
            eap={"client_authorities": names},
        )
        for node, names in lists.items()
    ]
    return plan(trust=known), surveyed(*(said(node) for node in NODES), *asked)


def every_ca_of_a_system_is_named() -> Cluster:
    issuer = authority("Northpier Device CA")
    known = replace(trust(), client_issuers=(roots("device-ca.pem", issuer),))
    names = tuple(f"CN=Public Root {n},C=XX" for n in range(140))
    asked = [
        said(
            node,
            "EAP-TLS",
            methods=(Method.EAP_TLS,),
            eap={"client_authorities": (*names, "CN=Northpier Device CA")},
        )
        for node in NODES
    ]
    return plan(trust=known), surveyed(*asked)


def phones_set_up_by_hand_are_sent_the_root() -> Cluster:
    of = plan(clients=clients(*EAP_FAMILIES, by_hand=EAP_FAMILIES))
    whole = (*with_private(private(RADIUS)), ca(PRIVATE_ROOT).der)
    return of, seen(of, depth=Depth.NODE, eap={"eap/": whole})


EAP_FAMILIES = ("windows-eap", "apple-eap", "android-eap", "linux-eap")

HEALTHY: tuple[Callable[[], Cluster], ...] = (
    every_question_in_depth,
    both_key_families,
    both_key_families_of_different_issuing_cas,
    a_leaf_for_each_node_in_depth,
    nodes_in_turn_behind_a_virtual_address,
    one_node_behind_a_virtual_address,
    another_certificate_in_each_method_and_context,
    some_methods_are_not_spoken,
    one_node_lacks_a_method_that_nobody_is_known_to_need,
    families_and_old_versions_are_refused_by_whatever_ending,
    repeats_are_rejected_early,
    old_versions_are_spoken_besides,
    some_nodes_speak_no_newer_than_tls_1_2,
    signatures_and_resumption_as_is_common_today,
    unsigned_requests_are_dropped_or_rejected,
    clients_of_the_plan_find_their_ca,
    every_ca_of_a_system_is_named,
    phones_set_up_by_hand_are_sent_the_root,
)


@pytest.mark.parametrize("cluster", HEALTHY, ids=lambda cluster: cluster.__name__)
def test_healthy_servers_give_no_finding(cluster: Callable[[], Cluster]) -> None:
    of, survey = cluster()
    result = judged(of, survey)
    assert [(f.rule, f.nodes, f.says) for f in result.findings] == []
    assert result.verdict is Verdict.SOUND
    assert result.headline.felt == ()


@pytest.mark.parametrize("cluster", HEALTHY, ids=lambda cluster: cluster.__name__)
def test_the_same_servers_a_year_later_are_not_healthy(cluster: Callable[[], Cluster]) -> None:
    """The twin: nothing was renewed."""
    of, survey = cluster()
    result = judged(of, survey, at=AT + timedelta(days=366))
    assert {f.rule for f in result.findings} <= {"web-expired", "eap-expired"}
    assert result.verdict < Verdict.SOUND
