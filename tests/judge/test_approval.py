"""Which chains a credential may be sent to: only those of which everything is known to be good."""

from datetime import date, timedelta
from typing import Any

import pytest

from lab.authority import Blueprint, Workshop
from probe.judge.approval import Approval, approve
from probe.observation.model import Aspect, HandshakeAsk, KeyFamily, Outcome, fingerprint
from probe.plan.model import Acceptance, Eap, Plan, Roots
from probe.records import replace
from tests.judge.eap_world import Said, address, said, surveyed
from tests.judge.pki import AT, make
from tests.judge.world import (
    FOREIGN_ROOT,
    PRIVATE_ISSUING,
    PRIVATE_ROOT,
    RADIUS,
    Chain,
    ca,
    clients,
    eap_chain,
    nodes,
    plan,
    private,
    roots,
    trust,
    with_private,
    with_public,
)
from tests.judge.world import public as public_leaf

DAY = timedelta(days=1)
PLACE = HandshakeAsk(address("quay1"), 1812)


def shown(chain: Chain) -> tuple[str, ...]:
    return tuple(fingerprint(der) for der in chain)


def approved(
    *all_said: Said, of: Plan | None = None, asked: HandshakeAsk = PLACE, **more: Any
) -> Approval:
    at = more.pop("at", AT)
    return approve(of or plan(), surveyed(*all_said), node="quay1", asked=asked, at=at)


def with_proof(one: Said, proven: bool | None) -> Said:
    assert one.record.served is not None
    served = replace(one.record.served, key_proven=proven)
    return replace(one, record=replace(one.record, served=served))


def test_a_sound_chain_is_approved_of() -> None:
    assert approved(said("quay1")) == Approval(frozenset({shown(eap_chain())}), None)


def test_each_sound_chain_of_that_address_is() -> None:
    """A server may hold a certificate of each kind, and show either."""
    other = with_private(private(RADIUS, rsa_leaf=True))
    found = approved(
        said("quay1"),
        said("quay1", "PEAP/rsa/TLSv1.2", other, key_family=KeyFamily.RSA, aspect=Aspect.FAMILY),
    )
    assert found == Approval(frozenset({shown(eap_chain()), shown(other)}), None)


def test_a_public_ca_is_as_good_where_the_plan_says_so() -> None:
    chain = with_public(public_leaf(RADIUS))
    of = plan(trust=replace(trust(), eap=trust().public))
    assert approved(said("quay1", ended=chain), of=of).chains == {shown(chain)}


@pytest.mark.parametrize(
    ("chain", "why"),
    [
        (with_private(private("radius.another.example")), f"no entry is {RADIUS}"),
        (with_private(private("northpier.example")), f"no entry is {RADIUS}"),
        (with_private(private("*.northpier.example")), "takes no wildcard"),
        (with_private(private(RADIUS, begins=AT - 9 * DAY, days=8)), "ended"),
        (with_private(private(RADIUS, begins=AT + DAY, days=8)), "begin"),
        (eap_chain()[:1], PRIVATE_ISSUING),
        ((make(RADIUS, names=(RADIUS,)).der,), "its own issuer"),
        (
            (make(RADIUS, ca(FOREIGN_ROOT), names=(RADIUS,)).der, ca(FOREIGN_ROOT).der),
            FOREIGN_ROOT,
        ),
        (with_public(public_leaf(RADIUS)), "Saltmarsh"),
        ((ca(PRIVATE_ISSUING, PRIVATE_ROOT).der,), f"no entry is {RADIUS}"),
        ((b"\x30\x03\x02\x01\x01", *eap_chain()[1:]), ""),
    ],
)
def test_what_is_wrong_with_a_chain_is_why_not(chain: Chain, why: str) -> None:
    found = approved(said("quay1", ended=chain))
    assert found.chains == frozenset()
    assert why in (found.why_not or "")


@pytest.mark.parametrize("proven", [False, None])
def test_a_key_that_was_not_proven_is_nobodys(proven: bool | None) -> None:
    found = approved(with_proof(said("quay1"), proven))
    assert found.chains == frozenset()
    assert "has not proven" in (found.why_not or "")


def test_one_visit_in_which_the_proof_was_wrong_is_enough() -> None:
    again = said("quay1", "PEAP/again/2", aspect=Aspect.AGAIN, turn=1)
    assert approved(said("quay1"), with_proof(again, False)).chains == frozenset()
    assert approved(said("quay1"), again).chains


def test_a_bad_chain_beside_a_good_one_is_left_out_and_told() -> None:
    bad = with_private(private(RADIUS, begins=AT - 9 * DAY, days=8))
    found = approved(said("quay1"), said("quay1", "PEAP/again/2", bad, aspect=Aspect.AGAIN, turn=1))
    assert found.chains == {shown(eap_chain())}
    assert "ended" in (found.why_not or "")


@pytest.mark.parametrize(
    "elsewhere",
    [
        said("quay2"),
        said("quay1", ended=Outcome.SILENT),
        said("quay1", "PEAP/wired dock", visit="wired dock"),
        said("quay1", "PEAP/old/TLSv1", aspect=Aspect.OLD_VERSION),
        said(RADIUS, nodes=("quay1", "quay2")),
    ],
)
def test_only_what_that_address_shows_to_a_login_counts(elsewhere: Said) -> None:
    found = approved(elsewhere)
    assert found.chains == frozenset()
    assert "no certificate was seen there" in (found.why_not or "")


@pytest.mark.parametrize("asked", [replace(PLACE, port=1645), replace(PLACE, address="192.0.2.99")])
def test_another_port_or_address_is_another_server(asked: HandshakeAsk) -> None:
    assert approved(said("quay1"), asked=asked).chains == frozenset()


def test_without_expected_names_nobody_is_approved_of() -> None:
    """That is no finding where the roots are private. A credential needs more."""
    found = approved(said("quay1"), of=plan(nodes=nodes(eap=Eap())))
    assert found.chains == frozenset()
    assert "expects no name" in (found.why_not or "")


def test_without_roots_nobody_is_approved_of() -> None:
    of = plan(trust=replace(trust(), eap=(roots("none.pem"),)))
    assert approved(said("quay1"), of=of).chains == frozenset()


def test_it_is_judged_as_of_the_time_of_the_login() -> None:
    chain = with_private(private(RADIUS, begins=AT - DAY, days=2))
    assert approved(said("quay1", ended=chain)).chains
    assert not approved(said("quay1", ended=chain), at=AT + 2 * DAY).chains


def test_what_the_plan_takes_as_known_is_no_better_for_it() -> None:
    chain = with_private(private("radius.another.example"))
    taken = Acceptance("eap-name-unexpected", (), "known", date(2090, 1, 1))
    assert not approved(said("quay1", ended=chain), of=plan(accepted=(taken,))).chains


@pytest.mark.parametrize("taken", [(), ("eap-weak-key",)])
def test_a_weak_key_may_be_somebody_elses(taken: tuple[str, ...]) -> None:
    """Supplicants take it (eap-weak-key is advised), but a credential may not go by it."""
    blueprints = (
        Blueprint("root", common_name="Weak Root", authority=True, ends=4000),
        *(
            Blueprint(kind, issuer="root", common_name=RADIUS, names=(RADIUS,), key=kind)
            for kind in ("RSA-1024", "RSA-2048")
        ),
    )
    shop = Workshop(blueprints, AT)
    (root,) = shop.chain(("root",))
    of = plan(
        trust=replace(trust(), eap=(Roots("weak.pem", None, (root.der,)),)),
        accepted=tuple(Acceptance(rule, (), "known", date(2090, 1, 1)) for rule in taken),
    )
    weak, strong = (
        tuple(one.der for one in shop.chain((kind,))) for kind in ("RSA-1024", "RSA-2048")
    )
    assert approved(said("quay1", ended=strong), of=of).chains == {shown(strong)}
    found = approved(said("quay1", ended=weak), of=of)
    assert found.chains == frozenset()
    assert "eap-weak-key" in (found.why_not or "")


def test_who_is_on_site_makes_no_difference() -> None:
    """By hand nobody compares names, and browsers do not speak EAP at all."""
    chain = with_private(private("radius.another.example"))
    of = plan(clients=clients("chromium-web", by_hand=("android-eap", "apple-eap")))
    assert not approved(said("quay1", ended=chain), of=of).chains
    assert approved(said("quay1"), of=of).chains
