"""Healthy clusters of many shapes: judged from literal surveys, they give no finding at all.

Each one is judged for every client family in the setup "profile". The last tests are the twins: a
healthy shape with exactly one thing broken does give a finding.
"""

from collections.abc import Callable
from datetime import timedelta

import pytest
from cryptography import x509

from lab.authority import Blueprint, Workshop
from probe.assessment import Verdict
from probe.observation.model import Endpoint, HttpSeen, LookupOutcome, Outcome, Survey
from probe.observe.agenda import Depth
from probe.plan.model import Audience, Eap, Guest, Method, Plan, Resolver, Service, Web
from probe.records import replace
from tests.judge.pki import AT, CLIENT, SERVER, Extension, authority, make, name
from tests.judge.world import (
    GUEST,
    HOSTS,
    NODES,
    OWN,
    PRIVATE_ROOT,
    PUBLIC_ISSUING,
    PUBLIC_ROOT,
    RADIUS,
    Chain,
    ca,
    clients,
    guest_service,
    host,
    judged,
    nodes,
    plan,
    private,
    public,
    roots,
    seen,
    trust,
    with_private,
    with_public,
)

Cluster = tuple[Plan, Survey]


def plain() -> Cluster:
    return plan(), seen(plan())


def asked_in_depth() -> Cluster:
    return plan(), seen(plan(), depth=Depth.NODE)


def wildcard_on_the_web() -> Cluster:
    chain = with_public(public("*.northpier.example", "northpier.example"))
    return plan(), seen(plan(), web={"web/": chain})


def names_chosen_by_sni() -> Cluster:
    """Each node has a certificate for its own name, and all share one for the guests'."""
    answers: dict[str, Chain] = {f"web/{node}": with_public(public(host(node))) for node in NODES}
    answers[f":443/{GUEST}"] = with_public(public(GUEST))
    return plan(), seen(plan(), web=answers)


def rsa_and_ecdsa_from_different_cas() -> Cluster:
    """Half of the nodes answer with the one, half with the other."""
    shop = Workshop(
        [
            Blueprint("root", common_name="Root R", authority=True, ends=4000),
            Blueprint("rsa-ca", issuer="root", common_name="Issuing RSA", authority=True, ends=900),
            Blueprint("ec-ca", issuer="root", common_name="Issuing EC", authority=True, ends=900),
            *(
                Blueprint(
                    f"leaf-{kind}",
                    issuer=f"{kind}-ca",
                    common_name=RADIUS,
                    names=(RADIUS,),
                    key=key,
                    purposes=("server",),
                )
                for kind, key in (("rsa", "RSA-2048"), ("ec", "P-256"))
            ),
        ],
        AT,
    )
    store = replace(roots("r.pem"), certificates=(shop["root"].der,))
    of = plan(trust=replace(trust(), eap=(store,)))
    rsa, ec = (
        tuple(one.der for one in shop.chain([f"leaf-{kind}", f"{kind}-ca"]))
        for kind in ("rsa", "ec")
    )
    return of, seen(of, eap={"eap/": rsa, "eap/quay3": ec, "eap/quay4": ec})


def cross_signed() -> Cluster:
    """The issuing CA has two certificates, and both are sent; one root is nobody's.

    That one comes last: before the other it leads astray who does not search (chain-disordered).
    """
    retired = authority("Retired Root")
    cross = make(
        PUBLIC_ISSUING,
        retired,
        ca=True,
        key_label=name(PUBLIC_ISSUING).rfc4514_string(),
        days=3000,
    )
    leaf = public(*HOSTS, GUEST)
    chain = (leaf.der, ca(PUBLIC_ISSUING, PUBLIC_ROOT).der, cross.der)
    return plan(), seen(plan(), web={"web/": chain})


def root_sent_too() -> Cluster:
    leaf = private(RADIUS)
    whole = (*with_private(leaf), ca(PRIVATE_ROOT).der)
    return plan(), seen(plan(), eap={"eap/": whole})


def eap_leaf_for_each_node() -> Cluster:
    own = {f"eap/{node}": with_private(private(host(node), RADIUS)) for node in NODES}
    return plan(), seen(plan(), eap=own)


def eap_leaf_for_each_node_with_the_common_name_alone() -> Cluster:
    own = {f"eap/{node}": with_private(private(RADIUS)) for node in NODES}
    return plan(), seen(plan(), eap=own)


def public_ca_for_eap() -> Cluster:
    known = trust()
    of = plan(trust=replace(known, eap=known.public))
    return of, seen(of, eap={"eap/": with_public(public(RADIUS))})


def private_ca_on_names_of_the_staff() -> Cluster:
    of = plan(services=())
    own = {f"web/{node}": with_private(private(host(node))) for node in NODES}
    return of, seen(of, web=own)


def split_dns() -> Cluster:
    of = plan(resolvers=(Resolver("192.0.2.53"), Resolver("10.0.9.53", "guest")))
    missing = {f"@guest/{name}/": LookupOutcome.NO_NAME for name in HOSTS}
    return of, seen(of, dns=missing)


def short_lived() -> Cluster:
    """Six days, as renewed every two or three."""
    begins = AT - timedelta(days=3)
    web = with_public(public(*HOSTS, GUEST, begins=begins, days=6))
    eap = with_private(private(RADIUS, begins=begins, days=6))
    return plan(), seen(plan(), web={"web/": web}, eap={"eap/": eap})


def virtual_addresses() -> Cluster:
    services = (
        guest_service(addresses=("192.0.2.80", "2001:db8::80")),
        Service(RADIUS, Endpoint.EAP, Audience.STAFF, NODES, addresses=("192.0.2.90",)),
    )
    of = plan(services=services)
    return of, seen(of)


def balancer_that_ends_tls() -> Cluster:
    of = plan(services=(guest_service(addresses=("192.0.2.80",)),))
    answers = {f"web/{node}": with_public(public(host(node))) for node in NODES}
    answers["192.0.2.80"] = with_public(public(GUEST))
    return of, seen(of, web=answers)


def behind_nat() -> Cluster:
    of = plan(nodes=nodes(connect=(("192.0.2.11", "198.51.100.7"),)))
    return of, seen(of)


def both_address_families() -> Cluster:
    of = plan(
        nodes=tuple(
            replace(node, addresses=(f"192.0.2.{n}", f"2001:db8::{n}"))
            for n, node in enumerate(nodes(), 11)
        )
    )
    return of, seen(of)


def management_and_data_interfaces() -> Cluster:
    of = plan(
        nodes=tuple(
            replace(
                node,
                web=Web(addresses=(f"203.0.113.{n}",)),
                eap=Eap(expected_names=(RADIUS,), addresses=(f"198.51.100.{n}",)),
            )
            for n, node in enumerate(nodes(), 11)
        )
    )
    data = tuple(f"203.0.113.{n}" for n in range(11, 15))
    return of, seen(of, dns={GUEST: data})


def addresses_from_dns() -> Cluster:
    of = plan(nodes=nodes(addresses=None))
    return of, seen(of, dns={"northpier": ("192.0.2.11",)})


def one_node_without_eap() -> Cluster:
    alone = replace(nodes(("quay1",))[0], eap=None)
    of = plan(nodes=(alone,), services=(), eap=None)
    return of, seen(of)


def one_method_and_one_leaf_set_up_by_hand() -> Cluster:
    """The root is sent, which is what phones set up by hand then remember."""
    eap = Eap(expected_names=(RADIUS,), methods=(Method.PEAP,))
    by_hand = clients(by_hand=("windows-eap", "apple-eap", "android-eap", "linux-eap"))
    of = plan(nodes=nodes(eap=eap), eap=eap, clients=by_hand)
    whole = (*with_private(private(RADIUS)), ca(PRIVATE_ROOT).der)
    return of, seen(of, eap={"eap/": whole})


def no_expected_names() -> Cluster:
    eap = Eap()
    of = plan(nodes=nodes(eap=eap), eap=eap)
    return of, seen(of)


def as_long_lived_as_allowed() -> Cluster:
    """A public leaf for 200 days to the second, with the timestamps that such a life takes; a
    private one for more than two years."""
    begins = AT - timedelta(days=40)
    whole = timedelta(days=200, seconds=-1) / timedelta(days=1)
    web = with_public(public(*HOSTS, GUEST, begins=begins, days=whole, logs=3))
    issuing = make(
        "Northpier Issuing 2", ca(PRIVATE_ROOT), ca=True, begins=AT - timedelta(days=900), days=1700
    )
    eap = make(RADIUS, issuing, names=[RADIUS], days=820)
    return plan(), seen(plan(), web={"web/": web}, eap={"eap/": (eap.der, issuing.der)})


def private_names_of_the_staff_for_two_years() -> Cluster:
    of = plan(services=())
    own = {f"web/{node}": with_private(private(host(node), days=824)) for node in NODES}
    return of, seen(of, web=own)


def two_timestamps_for_ninety_days() -> Cluster:
    chain = with_public(public(*HOSTS, GUEST, logs=2))
    return plan(), seen(plan(), web={"web/": chain})


def marks_of_real_cas() -> Cluster:
    """Policies in both worlds; for EAP the one that takes the prompt away from users."""
    validated, strict = ("2.23.140.1.2.1", "1.3.6.1.4.1.40808.1.3.1")
    web = with_public(public(*HOSTS, GUEST, more=(stating(validated),)))
    eap = with_private(private(RADIUS, more=(stating(strict),)))
    return plan(), seen(plan(), web={"web/": web}, eap={"eap/": eap})


def rsa_and_ecdsa_side_by_side() -> Cluster:
    """Both kinds of certificate on every node, asked for in depth: with another issue day, another
    end, and names besides that nobody opens."""
    rsa = with_public(
        public(*HOSTS, GUEST, OWN, rsa_leaf=True, begins=AT - timedelta(days=12), days=60)
    )
    return plan(), seen(plan(), depth=Depth.NODE, web={"/rsa": rsa})


def one_family_of_a_private_ca_on_names_of_the_staff() -> Cluster:
    of = plan(services=())
    rsa = with_private(private(*HOSTS, rsa_leaf=True))
    return of, seen(of, web={"/rsa": rsa})


def no_certificate_of_the_other_family_by_whatever_ending() -> Cluster:
    endings = {"quay1": Outcome.REFUSED, "quay2": Outcome.CUT_OFF, "quay3": Outcome.CLOSED}
    answers: dict[str, Outcome] = {}
    for place, (node, ending) in enumerate(endings.items(), 11):
        for opened in (host(node), GUEST):
            answers[f"web/{node}/192.0.2.{place}:443/{opened}/rsa"] = ending
    return plan(), seen(plan(), web=answers)


def asked_three_times() -> Cluster:
    return plan(), seen(plan(), depth=Depth.NODE)


def a_balancer_that_shows_its_nodes_in_turn() -> Cluster:
    of = plan(services=(guest_service(addresses=("192.0.2.80",)),))
    answers = {f"web/{node}/": with_public(public(host(node), GUEST)) for node in NODES}
    turns = {
        f"192.0.2.80:443/{GUEST}": answers["web/quay1/"],
        f"192.0.2.80:443/{GUEST}/again/2": answers["web/quay2/"],
        f"192.0.2.80:443/{GUEST}/again/3": answers["web/quay3/"],
    }
    return of, seen(of, depth=Depth.NODE, web=answers | turns)


def another_certificate_by_default() -> Cluster:
    default = with_public(public("www.northpier.example"))
    answers = {"/no-name": default, "/other-name": default}
    return plan(), seen(plan(), depth=Depth.NODE, web=answers)


def strict_transport_and_clocks() -> Cluster:
    """Every answer asks for strict transport; clocks are off by what nobody minds."""
    survey = seen(plan(), depth=Depth.NODE)
    header = "max-age=31536000; includeSubDomains; preload"
    records = tuple(
        replace(r, http=HttpSeen(200, r.at + timedelta(minutes=4), header)) if r.asked.head else r
        for r in survey.handshakes
    )
    return plan(), replace(survey, handshakes=records)


def seen_from_the_guest_network() -> Cluster:
    """A name outside the plan is answered by its own server, which the plan knows nothing of."""
    of = plan(guest=Guest(canary="weather.example"), vantage="guest network")
    return of, seen(of, web={"web/weather.example": with_public(public("weather.example"))})


def nodes_that_call_each_other() -> Cluster:
    of = plan(nodes=nodes(web=Web(used_as_client=True)))
    chain = with_public(public(*HOSTS, GUEST, purposes=(SERVER, CLIENT)))
    return of, seen(of, web={"web/": chain})


def stating(policy: str) -> Extension:
    information = x509.PolicyInformation(x509.ObjectIdentifier(policy), None)
    return x509.CertificatePolicies([information]), False


HEALTHY: tuple[Callable[[], Cluster], ...] = (
    plain,
    asked_in_depth,
    wildcard_on_the_web,
    names_chosen_by_sni,
    rsa_and_ecdsa_from_different_cas,
    cross_signed,
    root_sent_too,
    eap_leaf_for_each_node,
    eap_leaf_for_each_node_with_the_common_name_alone,
    public_ca_for_eap,
    private_ca_on_names_of_the_staff,
    split_dns,
    short_lived,
    virtual_addresses,
    balancer_that_ends_tls,
    behind_nat,
    both_address_families,
    management_and_data_interfaces,
    addresses_from_dns,
    one_node_without_eap,
    one_method_and_one_leaf_set_up_by_hand,
    no_expected_names,
    as_long_lived_as_allowed,
    private_names_of_the_staff_for_two_years,
    two_timestamps_for_ninety_days,
    marks_of_real_cas,
    rsa_and_ecdsa_side_by_side,
    one_family_of_a_private_ca_on_names_of_the_staff,
    no_certificate_of_the_other_family_by_whatever_ending,
    asked_three_times,
    a_balancer_that_shows_its_nodes_in_turn,
    another_certificate_by_default,
    strict_transport_and_clocks,
    seen_from_the_guest_network,
    nodes_that_call_each_other,
)


@pytest.mark.parametrize("cluster", HEALTHY, ids=lambda cluster: cluster.__name__)
def test_a_healthy_cluster_gives_no_finding(cluster: Callable[[], Cluster]) -> None:
    of, survey = cluster()
    result = judged(of, survey)
    assert [(f.rule, f.nodes, f.name, f.says) for f in result.findings] == []
    assert result.verdict is Verdict.SOUND
    assert [node.verdict for node in result.nodes] == [Verdict.SOUND] * len(of.nodes)
    assert result.headline.felt == ()


@pytest.mark.parametrize("cluster", HEALTHY, ids=lambda cluster: cluster.__name__)
def test_the_same_cluster_a_year_later_is_not_healthy(cluster: Callable[[], Cluster]) -> None:
    """The twin: nothing was renewed."""
    of, survey = cluster()
    result = judged(of, survey, at=AT + timedelta(days=366))
    assert {f.rule for f in result.findings} <= {"web-expired", "eap-expired"}
    assert result.verdict < Verdict.SOUND
