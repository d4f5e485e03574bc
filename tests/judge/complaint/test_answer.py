"""From words and a survey to an answer: what is confirmed, what stays open, what is excluded."""

import hashlib
from datetime import timedelta
from functools import cache
from typing import Any

import pytest

from probe.assessment import Assessment, Verdict
from probe.complaint import Answer, Complaint, LogAlert, Shown, Source, Standing, Whose
from probe.judge.assess import judge
from probe.judge.complaint import answer, nodes_of, plan_for, questions_for, site_of
from probe.judge.complaint.table import ROWS, Row
from probe.observation.model import Endpoint, LookupOutcome, Outcome, Survey
from probe.observe.agenda import Depth, agenda
from probe.plan.model import Client, Plan, Setup, Site
from probe.records import replace
from tests.judge.pki import AT, CLIENT
from tests.judge.world import (
    FOREIGN_ROOT,
    GUEST,
    NAMES_ITS_ISSUER,
    NODES,
    RADIUS,
    ca,
    clients,
    eap_chain,
    host,
    make,
    nodes,
    plan,
    private,
    public,
    seen,
    web_chain,
    with_private,
    with_public,
)

DAY = timedelta(days=1)
ENDED = {"days": 29}
"""Certificates begin thirty days before `AT`: these have ended a day before it."""
TERMINAL = "ferry terminal"


@cache
def old_radius() -> tuple[bytes, ...]:
    return with_private(private(RADIUS, **ENDED))


def foreign_radius() -> tuple[bytes, ...]:
    return (make(RADIUS, ca(FOREIGN_ROOT), names=(RADIUS,)).der, ca(FOREIGN_ROOT).der)


def looked(of: Plan, complaint: Complaint, **survey: Any) -> Assessment:
    """Judge as the command does: what is asked is what the complaint needs."""
    whole = seen(of, depth=Depth.NODE, **survey)
    wanted = {q.id for q in questions_for(of, complaint, whole.questions)}
    asked = replace(
        whole,
        questions=tuple(q for q in whole.questions if q.id in wanted),
        lookups=tuple(r for r in whole.lookups if r.question in wanted),
        handshakes=tuple(r for r in whole.handshakes if r.question in wanted),
    )
    return judge(plan_for(of, complaint), asked, at=survey.get("taken", AT))


def answered(complaint: Complaint, of: Plan | None = None, **survey: Any) -> Answer:
    of = of or plan()
    return answer(of, complaint, looked(of, complaint, **survey))


def confirmed(found: Answer) -> list[tuple[str, tuple[str, ...]]]:
    return [(cause.rule, cause.nodes) for cause in found.of(Standing.CONFIRMED)]


def rules(found: Answer, standing: Standing) -> list[str]:
    return [cause.rule for cause in found.of(standing)]


def saw(*words: str, **more: Any) -> Complaint:
    return Complaint(saw=words, **more)


# ------------------------------------------------------------ confirmed


def test_what_the_judge_finds_where_this_person_was_is_confirmed() -> None:
    found = answered(saw("EAP_E_SERVER_CERT_EXPIRED"), eap={"quay3": old_radius()})
    assert confirmed(found) == [("eap-expired", ("quay3",))]
    (cause,) = found.of(Standing.CONFIRMED)
    assert found.first == f"Confirmed: {cause.says}"
    assert cause.evidence
    assert "windows-eap" in cause.clients
    assert found.verdict is Verdict.BLOCKED
    assert not found.advice.safe


def test_a_fault_at_a_node_that_was_not_met_is_no_cause() -> None:
    told = saw("EAP_E_SERVER_CERT_EXPIRED", nodes=("quay1",))
    found = answered(told, eap={"quay3": old_radius()})
    assert confirmed(found) == []
    assert "eap-expired" in rules(found, Standing.RULED_OUT)


def test_a_rule_of_several_rooms_says_in_which() -> None:
    found = answered(saw("0x800B0101"), eap={"quay": old_radius()})
    (other, *names) = found.of(Standing.RULED_OUT)
    assert {one.rule.partition("-")[0] for one in names} == {"dns"}
    assert other.says.startswith("A certificate has expired, on pages (HTTPS): not so")


def test_a_fault_on_another_page_is_no_cause() -> None:
    """The node's own page has the fault, and the guests' page was opened."""
    other = with_public(public(GUEST, **ENDED))
    web = {f"{GUEST}": web_chain(), f"quay3/192.0.2.13:443/{host('quay3')}": other}
    page = saw("NET::ERR_CERT_DATE_INVALID", page=GUEST)
    assert confirmed(answered(page, web=web)) == []
    own = saw("NET::ERR_CERT_DATE_INVALID", page=host("quay3"))
    assert confirmed(answered(own, web=web)) == [("web-expired", ("quay3",))]


def test_a_fault_that_this_client_does_not_mind_is_only_possible() -> None:
    """A chain that is not complete, with the address of what is missing: Chromium gets it there
    (Chromium, certificate verifier), and Firefox does not."""
    names = (*(host(n) for n in NODES), GUEST)
    web = {"quay3": with_public(public(*names, more=(NAMES_ITS_ISSUER,)))[:1]}
    firefox = answered(saw("SEC_ERROR_UNKNOWN_ISSUER", page=GUEST), web=web)
    assert confirmed(firefox) == [("web-chain-incomplete", ("quay3",))]
    chromium = answered(saw("NET::ERR_CERT_AUTHORITY_INVALID", page=GUEST), web=web)
    assert confirmed(chromium) == []
    (cause, *_) = chromium.of(Standing.POSSIBLE)
    assert cause.rule == "web-chain-incomplete"


def test_of_a_node_that_showed_nothing_nothing_is_said() -> None:
    eap = {"quay2": old_radius(), "quay4": Outcome.SILENT}
    (cause,) = answered(saw("EAP_E_SERVER_CERT_EXPIRED"), eap=eap).of(Standing.CONFIRMED)
    assert cause.came_and_went == (
        "quay2 shows it, quay1 and quay3 do not, and of quay4 nothing is known: which of them an"
        " access point asks depends on its order, and on who answers."
    )


@pytest.mark.parametrize(
    ("words", "rule"),
    [("certificate is expired", "eap-expired"), ("certificate has expired", "eap-expired")],
)
def test_words_of_pages_mean_the_same_while_joining(words: str, rule: str) -> None:
    found = answered(saw(words, wifi=True), eap={"quay": old_radius()})
    assert confirmed(found) == [(rule, NODES)]
    assert found.endpoints == (Endpoint.EAP,)


def test_each_of_two_faults_is_found_by_its_own_words() -> None:
    web = {"quay2": with_public(public(*(host(n) for n in NODES), GUEST, **ENDED))}
    both = {"web": web, "eap": {"quay3": foreign_radius()}}
    page = answered(saw("SEC_ERROR_EXPIRED_CERTIFICATE"), **both)
    wifi = answered(saw("0x800B0109", wifi=True), **both)
    assert confirmed(page)[0] == ("web-expired", ("quay2",))
    assert confirmed(wifi)[0] == ("eap-unknown-root", ("quay3",))
    assert ("eap-unknown-root", ("quay3",)) not in confirmed(page)


def test_words_of_a_prompt_speak_of_a_client_that_was_set_up_by_hand() -> None:
    told = saw("Continue connecting?", clients=("Windows",))
    by_hand = Client("windows-eap", Setup.BY_HAND)
    assert by_hand not in plan().clients
    assert by_hand in plan_for(plan(), told).clients
    found = answered(told, eap={"quay3": with_private(private(RADIUS))})
    assert confirmed(found) == [("eap-leaf-differs", ("quay3",))]


def test_an_alert_that_the_server_received_speaks_of_its_certificate() -> None:
    of = plan()
    alert = LogAlert("unknown_ca", received=True, times=3)
    found = answered(Complaint(log=(alert,)), of, eap={"quay3": foreign_radius()})
    assert confirmed(found) == [("eap-unknown-root", ("quay3",))]


def test_an_alert_that_the_server_sent_speaks_of_the_client() -> None:
    alert = LogAlert("unknown_ca", received=False)
    found = answered(Complaint(log=(alert,)), eap={"quay3": foreign_radius()})
    assert confirmed(found) == []
    assert found.first.startswith("These words speak of the client's own certificate")


# ------------------------------------------------------------ nothing, and not seen


HEALTHY = [
    saw("NET::ERR_CERT_DATE_INVALID", page=GUEST),
    saw("SEC_ERROR_UNKNOWN_ISSUER"),
    saw("0x800B010F", wifi=True),
    saw("The certificate is not trusted", clients=("iPhone",), wifi=True),
    saw("certificate has expired"),
    saw("Can't connect to this network"),
    Complaint(log=(LogAlert("unknown_ca", received=True),)),
]


@pytest.mark.parametrize("complaint", HEALTHY)
def test_on_a_healthy_cluster_nothing_on_the_wire_explains_it(complaint: Complaint) -> None:
    found = answered(complaint)
    assert found.first.startswith("Nothing on the wire explains this")
    assert confirmed(found) == []
    assert rules(found, Standing.POSSIBLE) == []
    assert found.client_side
    assert found.verdict is Verdict.SOUND
    assert not found.advice.safe


def test_what_was_not_seen_is_never_ruled_out() -> None:
    """One node is silent: whether it has the fault is open, and everywhere else it is excluded."""
    told = saw("EAP_E_SERVER_CERT_EXPIRED")
    found = answered(told, eap={"quay3": Outcome.SILENT})
    (cause, *_) = found.of(Standing.POSSIBLE)
    assert (cause.rule, cause.nodes) == ("eap-expired", ("quay3",))
    assert cause.decides
    assert found.verdict is Verdict.UNSEEN
    assert "eap-expired" not in rules(found, Standing.RULED_OUT)


@pytest.mark.parametrize(
    ("words", "rule"),
    [
        ("SEC_ERROR_REVOKED_CERTIFICATE", "web-revoked"),
        ("EAP_E_SERVER_CERT_REVOKED", "eap-revoked"),
    ],
)
def test_what_a_list_of_the_clients_own_may_say_is_not_ruled_out(words: str, rule: str) -> None:
    """The certificates here name neither a list nor a responder of their CA (RFC 5280, 4.2.1.13
    and 4.2.2.1), so that nothing on the wire tells. Words that do not speak of it accuse nobody."""
    found = answered(saw(words))
    (cause,) = [one for one in found.causes if one.rule == rule]
    assert cause.standing is Standing.POSSIBLE
    assert "names no place where its CA would say so" in cause.says
    assert cause.decides == "ask the CA whether the certificate is revoked"
    other = answered(saw("Can't connect to this network", wifi=True))
    assert not {"web-revoked", "eap-revoked"} & {*rules(other, Standing.POSSIBLE)}


def test_questions_without_an_answer_leave_a_cause_open() -> None:
    found = answered(saw("EAP_E_SERVER_CERT_EXPIRED"), without=("eap/quay2",))
    assert "eap-expired" in rules(found, Standing.POSSIBLE)


def test_a_silence_that_was_complained_of_is_possible_and_said_first() -> None:
    told = saw("ONEX_NO_RESPONSE_TO_IDENTITY", nodes=("quay3",))
    found = answered(told, eap={"quay3": Outcome.SILENT})
    assert found.first.startswith("Possible, not confirmed: Nothing comes back from RADIUS")
    assert found.advice.why == "No certificate was shown that could be accepted."


def test_a_resolver_that_does_not_answer_leaves_names_open() -> None:
    told = saw("ERR_NAME_NOT_RESOLVED", page=GUEST)
    found = answered(told, dns={"192.0.2.53": LookupOutcome.SILENT})
    assert "dns-no-address" not in rules(found, Standing.RULED_OUT)
    assert found.verdict is Verdict.UNSEEN


def test_where_eap_is_not_in_the_plan_it_is_open() -> None:
    of = plan(nodes=nodes(eap=None), eap=None)
    found = answered(saw("EAP_E_SERVER_CERT_EXPIRED"), of)
    assert rules(found, Standing.POSSIBLE)[0] == "eap-expired"
    assert found.verdict is Verdict.UNSEEN


def test_without_words_too_what_was_not_seen_is_open() -> None:
    told = Complaint(wifi=True)
    assert answered(told).first.startswith("Nothing on the wire explains this")
    found = answered(told, without=("eap/quay2",))
    (cause,) = found.of(Standing.POSSIBLE)
    assert cause.nodes == ("quay2",)
    assert found.verdict is Verdict.UNSEEN


def test_without_words_what_is_felt_there_is_the_cause() -> None:
    found = answered(Complaint(wifi=True, clients=("iPhone",)), eap={"quay3": old_radius()})
    assert confirmed(found) == [("eap-expired", ("quay3",))]
    assert confirmed(answered(Complaint(page=GUEST), eap={"quay3": old_radius()})) == []


def test_words_that_may_mean_a_page_are_no_riddle_where_there_is_nothing_else() -> None:
    of = plan(nodes=nodes(eap=None), eap=None)
    assert answered(saw("unknown_ca"), of).first.startswith("Nothing on the wire explains this")
    assert answered(saw("unknown_ca", wifi=True), of).verdict is Verdict.UNSEEN


def test_unknown_words_confirm_nothing() -> None:
    found = answered(saw("the little door is purple"), eap={"quay3": old_radius()})
    assert confirmed(found) == []
    assert found.heard[0].known == ()
    assert [cause.rule for cause in found.of(Standing.POSSIBLE)] == ["eap-expired"]
    assert answered(saw("error")).first.startswith("Those words are too general")


def test_words_about_the_clients_own_certificate_accuse_no_server() -> None:
    found = answered(saw("EAP_E_USER_CERT_EXPIRED"), eap={"quay3": old_radius()})
    assert confirmed(found) == []
    assert found.first.startswith("These words speak of the client's own certificate")
    assert [one.rule for one in found.also] == ["eap-expired"]
    assert not found.also[0].elsewhere


# ------------------------------------------------------------ which nodes, and why


def at_terminal() -> Plan:
    return plan(sites=(Site(TERMINAL, ("quay2", "quay1")),))


def test_a_site_says_who_is_met_and_why_it_comes_and_goes() -> None:
    told = saw("EAP_E_SERVER_CERT_EXPIRED", site=TERMINAL)
    found = answered(told, at_terminal(), eap={"quay1": old_radius()})
    assert found.nodes == ("quay2", "quay1")
    (cause,) = found.of(Standing.CONFIRMED)
    assert cause.nodes == ("quay1",)
    assert cause.came_and_went == (
        "quay1 shows it, quay2 does not: at ferry terminal quay2 is asked first, so that it is met"
        " while quay2 is busy or away."
    )


def test_a_fault_at_a_node_that_the_site_does_not_ask_is_told_beside() -> None:
    told = saw("EAP_E_SERVER_CERT_EXPIRED", site=TERMINAL)
    found = answered(told, at_terminal(), eap={"quay3": old_radius()})
    assert confirmed(found) == []
    (other,) = found.also
    assert (other.rule, other.nodes, other.elsewhere) == ("eap-expired", ("quay3",), True)


def test_what_all_nodes_share_does_not_come_and_go() -> None:
    found = answered(saw("EAP_E_SERVER_CERT_EXPIRED"), eap={"quay": old_radius()})
    assert found.of(Standing.CONFIRMED)[0].came_and_went is None


def test_nodes_go_by_name_host_and_address() -> None:
    of = at_terminal()
    for text in ("quay2", "quay2.northpier.example", "192.0.2.12", "QUAY2.NORTHPIER.EXAMPLE"):
        assert nodes_of(of, text) == ("quay2",), text
    assert nodes_of(of, "quay9") == ()
    assert site_of(of, "Ferry Terminal") == ("quay2", "quay1")
    assert site_of(of, "lighthouse") is None


# ------------------------------------------------------------ what is asked


def test_only_what_bears_on_the_causes_is_asked() -> None:
    of = plan()
    every = agenda(of, Depth.NODE)
    page = questions_for(of, saw("NET::ERR_CERT_DATE_INVALID", page=GUEST), every)
    assert {q.endpoint for q in page} == {Endpoint.WEB, Endpoint.DNS}
    names = {ask.name for q in page for ask in (q.handshake, q.lookup) if ask is not None}
    assert names == {GUEST}
    joining = questions_for(of, saw("EAP_E_SERVER_CERT_REVOKED", nodes=("quay2",)), every)
    assert {q.nodes for q in joining} == {("quay2",)}
    assert {q.endpoint for q in joining} == {Endpoint.EAP}
    name = questions_for(of, saw("ERR_NAME_NOT_RESOLVED", page=GUEST), every)
    assert Endpoint.DNS in {q.endpoint for q in name}
    assert tuple(q for q in every if q in set(page)) == page


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.words.words[:40])
def test_on_a_healthy_cluster_no_words_at_all_invent_a_cause(row: Row) -> None:
    """Every row of the table; and there is always something to ask."""
    of = plan()
    every = agenda(of, Depth.NODE)
    for told in (saw(row.phrases[0]), saw(row.phrases[0], wifi=True)):
        found = answer(of, told, judged(told))
        assert confirmed(found) == []
        assert "Confirmed" not in found.first
        assert questions_for(of, told, every)


_JUDGED: dict[object, Assessment] = {}


def judged(told: Complaint) -> Assessment:
    """Judge the healthy cluster by the clients of a complaint; equal clients once."""
    by = plan_for(plan(), told)
    if by.clients not in _JUDGED:
        _JUDGED[by.clients] = judge(by, seen(by, depth=Depth.NODE), at=AT)
    return _JUDGED[by.clients]


def test_old_versions_are_asked_for_whatever_page_was_opened() -> None:
    of = plan()
    told = saw("ERR_SSL_VERSION_OR_CIPHER_MISMATCH", page=GUEST)
    assert any("/old/" in q.id for q in questions_for(of, told, agenda(of, Depth.NODE)))


def test_to_compare_the_plain_visits_of_all_nodes_are_asked() -> None:
    of = plan()
    told = saw("Is this network trusted?", nodes=("quay2",))
    asked = questions_for(of, told, agenda(of, Depth.NODE))
    others = [q for q in asked if "quay2" not in q.nodes]
    assert {node for q in others for node in q.nodes} == {"quay1", "quay3", "quay4"}
    assert all(q.handshake and q.handshake.aspect is None for q in others)


# ------------------------------------------------------------ contradictions


@pytest.mark.parametrize(
    ("complaint", "part"),
    [
        (saw("SEC_ERROR_EXPIRED_CERTIFICATE", wifi=True), "is seen on pages"),
        (saw("EAP_E_SERVER_CERT_EXPIRED", page=GUEST), "is seen while a network is joined"),
        (saw("certificate is expired", wifi=True, page=GUEST), "a page opens once that is joined"),
        (saw("CERT_E_EXPIRED", clients=("iPhone",)), 'shown by Windows 802.1X, and "iPhone"'),
        (saw("certificate is expired", page="shop.example"), "shop.example is no name of the plan"),
        (saw("0x800B0101", "0x800B0110"), "have no cause in common"),
        (
            saw(
                "NET::ERR_CERT_DATE_INVALID", page=GUEST, shown=Shown(expiry=(AT + 90 * DAY).date())
            ),
            "the clock of the device may be wrong",
        ),
    ],
)
def test_hints_that_do_not_go_together_are_pointed_out(complaint: Complaint, part: str) -> None:
    found = answered(complaint)
    assert any(part in text for text in found.contradictions), found.contradictions


def test_a_page_that_was_mistyped_is_asked_about() -> None:
    """Only what is near: whoever opened another page is not led to ours."""
    (near,) = answered(saw("certificate is expired", page=f"x{GUEST}")).contradictions
    assert near.endswith(f"so no node was looked at for it, did you mean {GUEST}?")
    (far,) = answered(saw("certificate is expired", page="shop.example")).contradictions
    assert far.endswith("so no node was looked at for it")


def test_a_node_that_the_site_does_not_ask_contradicts_it() -> None:
    told = saw("0x800B0101", site=TERMINAL, nodes=("quay4",))
    assert any("quay4" in text for text in answered(told, at_terminal()).contradictions)


@pytest.mark.parametrize("complaint", HEALTHY)
def test_hints_that_go_together_are_left_alone(complaint: Complaint) -> None:
    assert answered(complaint).contradictions == ()


def test_a_page_that_the_plan_lacks_is_nobodys_fault_here() -> None:
    told = saw("NET::ERR_CERT_DATE_INVALID", page="https://shop.example/basket")
    web = {"quay": with_public(public(*(host(n) for n in NODES), GUEST, **ENDED))}
    found = answered(told, web=web)
    assert confirmed(found) == []
    assert found.first == (
        "shop.example is no name of the plan: nobody was looked at, and nothing is known."
    )
    assert found.verdict is Verdict.UNSEEN


def test_by_an_address_a_fault_of_the_certificate_is_met_too() -> None:
    told = saw("NET::ERR_CERT_DATE_INVALID", page="https://192.0.2.13/")
    web = {"quay3": with_public(public(*(host(n) for n in NODES), GUEST, **ENDED))}
    assert confirmed(answered(told, web=web)) == [("web-expired", ("quay3",))]


def test_whether_a_certificate_carries_an_address_is_not_taken_for_seen() -> None:
    found = answered(saw("NET::ERR_CERT_COMMON_NAME_INVALID", page="192.0.2.13"))
    assert "web-name-mismatch" in rules(found, Standing.POSSIBLE)
    named = answered(saw("NET::ERR_CERT_COMMON_NAME_INVALID", page=GUEST))
    assert "web-name-mismatch" in rules(named, Standing.RULED_OUT)


# ------------------------------------------------------------ the certificate on the screen


def test_a_certificate_that_is_none_of_ours_comes_first() -> None:
    told = saw("The certificate is not trusted", wifi=True, shown=Shown(fingerprint="ab" * 32))
    found = answered(told, eap={"quay3": foreign_radius()})
    assert found.recognised.whose is Whose.UNKNOWN
    assert found.first.startswith("The certificate on that screen is none that is known to be ours")
    assert not found.advice.safe
    assert "not known to be ours" in found.advice.sentences[0]


@pytest.mark.parametrize("spelled", ["sha256", "sha1"])
def test_a_certificate_of_ours_is_known_by_its_fingerprint(spelled: str) -> None:
    renewed = with_private(private(RADIUS))
    digest = hashlib.new(spelled, renewed[0], usedforsecurity=False).hexdigest()
    told = saw("Continue connecting?", clients=("Windows",), shown=Shown(fingerprint=digest))
    found = answered(told, eap={"quay3": renewed})
    assert found.recognised.whose is Whose.OURS
    assert found.recognised.nodes == ("quay3",)
    assert confirmed(found) == [("eap-leaf-differs", ("quay3",))]
    assert found.advice.safe


def test_with_a_fault_that_gives_others_a_hold_it_is_not_safe_all_the_same() -> None:
    ended = old_radius()
    told = saw("0x800B0101", shown=Shown(fingerprint=_sha256(ended[0])), wifi=True)
    of = plan()
    assert answered(told, of, eap={"quay": ended}).advice.safe
    # Signed with another key than its own: somebody may have copied the certificate alone.
    unproven = looked(of, told, eap={"quay": ended})
    unproven = judge(plan_for(of, told), _unproven(unproven.survey), at=AT)
    both = replace(told, saw=("0x800B0101", "decrypt_error"))
    found = answer(of, both, unproven)
    assert "eap-key-unproven" in rules(found, Standing.CONFIRMED)
    assert not found.advice.safe
    # Without any fault that explains the words, nothing says that it is harmless.
    same = saw("0x800B0101", shown=Shown(fingerprint=_sha256(eap_chain()[0])), wifi=True)
    assert not answered(same, of).advice.safe


def test_what_is_wrong_beside_the_words_counts_for_safety() -> None:
    """RFC 5280, 4.2.1.12: any device may have a certificate of its own for clients alone."""
    devices = with_private(private(RADIUS, purposes=(CLIENT,), **ENDED))
    told = saw("0x800B0101", shown=Shown(fingerprint=_sha256(devices[0])), wifi=True)
    found = answered(told, eap={"quay": devices})
    assert "eap-expired" in rules(found, Standing.CONFIRMED)
    assert not found.advice.safe
    # Nor is the copy of a certificate that somebody shows without its key.
    of = plan()
    told = replace(told, shown=Shown(fingerprint=_sha256(old_radius()[0])))
    copied = _unproven(looked(of, told, eap={"quay": old_radius()}).survey)
    assert not answer(of, told, judge(plan_for(of, told), copied, at=AT)).advice.safe


@pytest.mark.parametrize("source", [Source.SAVED, Source.HISTORY])
def test_what_nobody_was_asked_for_now_vouches_for_nothing(source: Source) -> None:
    """A file may be anybody's, and what was served then may have been replaced for a reason."""
    ended = old_radius()
    of = plan()
    told = saw("0x800B0101", shown=Shown(fingerprint=_sha256(ended[0])), wifi=True)
    now = looked(of, told, eap={"quay": ended})
    assert answer(of, told, now).advice.safe
    found = answer(of, told, now, source=source)
    assert found.recognised.whose is Whose.OURS
    assert "now" not in found.recognised.says
    assert not found.advice.safe


def test_a_certificate_of_another_place_is_ours_all_the_same() -> None:
    """The web's, shown while a network is joined or on a page that the plan lacks: our mistake, and
    nobody is to change a password for it."""
    shown = Shown(fingerprint=_sha256(web_chain()[0]))
    for told in (
        Complaint(wifi=True, shown=shown),
        Complaint(page="login.another.example", shown=shown),
    ):
        found = answered(told)
        assert found.recognised.whose is Whose.OURS
        assert not found.advice.safe
    assert found.first.startswith("login.another.example is no name of the plan, and the cert")


def test_a_fault_of_another_certificate_than_the_one_shown_proves_nothing_of_that() -> None:
    told = saw("0x800B0101", wifi=True, shown=Shown(fingerprint=_sha256(web_chain()[0])))
    found = answered(told, eap={"quay3": old_radius()})
    assert confirmed(found) == [("eap-expired", ("quay3",))]
    assert not found.advice.safe
    assert any("another certificate" in one for one in found.contradictions)


@pytest.mark.parametrize(
    "words",
    [
        "SEC_ERROR_UNKNOWN_ISSUER",
        "SEC_ERROR_EXPIRED_CERTIFICATE",
        "MOZILLA_PKIX_ERROR_SELF_SIGNED_CERT",
    ],
)
def test_whoever_is_led_elsewhere_has_not_met_our_node(words: str) -> None:
    """RFC 1034, 3.6: a browser goes where the name leads, and is shown what is there."""
    told = saw(words, page=host("quay3"))
    of = plan()
    found = answered(told, of, dns={f"{host('quay3')}": ("192.0.2.99",)})
    (cause,) = found.of(Standing.POSSIBLE)
    assert cause.rule == "dns-wrong-address"
    assert found.first.startswith("Possible, not confirmed: quay3.northpier.example leads to")
    assert confirmed(found) == []
    assert found.verdict is Verdict.UNSEEN


def test_alerts_of_one_log_need_no_cause_in_common() -> None:
    alerts = tuple(LogAlert(one, True) for one in ("unknown_ca", "certificate_expired"))
    assert answered(Complaint(log=alerts)).contradictions == ()
    told = saw("EAP_E_SERVER_CERT_EXPIRED", log=alerts)
    assert answered(told).contradictions == ()
    (contradiction,) = answered(replace(told, log=alerts[:1])).contradictions
    assert contradiction.endswith("has no cause in common with any alert of the log")


def test_what_was_not_seen_is_said_of_a_certificate_that_is_not_known() -> None:
    told = Complaint(wifi=True, shown=Shown(fingerprint="5f" * 32))
    assert "but" not in answered(told).recognised.says
    silent = answered(told, eap={"quay3": Outcome.SILENT})
    assert silent.recognised.says.endswith("; but nothing was seen of EAP at quay3.")
    assert silent.recognised.whose is Whose.UNKNOWN


def test_a_root_that_nobody_knows_vouches_for_nobody() -> None:
    """What stands between us and the server may stand between the person and the server, too."""
    strange = foreign_radius()
    told = saw("0x800B0109", shown=Shown(fingerprint=_sha256(strange[0])), wifi=True)
    found = answered(told, eap={"quay": strange})
    assert confirmed(found)[0][0] == "eap-unknown-root"
    assert found.recognised.whose is Whose.OURS
    assert not found.advice.safe


def test_what_an_inspecting_proxy_shows_us_is_not_ours() -> None:
    proxy = make("TLS Inspection CA", ca=True)
    leaves = {
        node: (make(host(node), proxy, names=(host(node), GUEST), key_label="proxy").der, proxy.der)
        for node in NODES
    }
    told = Complaint(
        page=GUEST,
        saw=("SEC_ERROR_UNKNOWN_ISSUER",),
        shown=Shown(fingerprint=_sha256(leaves[NODES[0]][0])),
    )
    found = answered(told, web=leaves)
    assert "here-intercepted" in {one.rule for one in found.assessment.findings}
    assert found.recognised.whose is Whose.UNKNOWN
    assert not found.advice.safe


def test_one_that_was_ours_and_is_served_nowhere_now_is_not_safe() -> None:
    before = old_radius()
    told = saw("0x800B0101", shown=Shown(fingerprint=_sha256(before[0])), wifi=True)
    of = plan()
    found = answer(of, told, looked(of, told), remembered={_sha256(before[0]): before[0]})
    assert found.recognised.whose is Whose.OURS
    assert found.recognised.nodes == ()
    assert not found.advice.safe


def test_fields_only_ever_fit() -> None:
    """Anybody can write a name, an issuer and a date into a certificate."""
    told = saw("0x800B0101", shown=Shown(name=RADIUS, issuer="Northpier Issuing"), wifi=True)
    found = answered(told, eap={"quay": old_radius()})
    assert found.recognised.whose is Whose.FITS
    assert not found.advice.safe
    other = replace(told, shown=Shown(name=RADIUS, issuer="Somebody Else"))
    assert answered(other, eap={"quay": old_radius()}).recognised.whose is Whose.UNKNOWN


def _unproven(survey: Survey) -> Survey:
    records = tuple(
        replace(r, served=replace(r.served, key_proven=False)) if r.served else r
        for r in survey.handshakes
    )
    return replace(survey, handshakes=records)


def _sha256(der: bytes) -> str:
    return hashlib.sha256(der).hexdigest()


# ------------------------------------------------------------ at the time of the complaint


def test_what_was_so_then_and_is_gone_is_fixed_since() -> None:
    of = plan(clients=clients("windows-eap"))
    told = saw("EAP_E_SERVER_CERT_EXPIRED", when=AT)
    then = looked(of, told, eap={"quay3": old_radius()}, taken=AT)
    between = looked(of, told, eap={"quay3": old_radius()}, taken=AT + timedelta(hours=1))
    after = looked(of, told, taken=AT + timedelta(hours=2))
    now = looked(of, told, taken=AT + timedelta(hours=5))
    found = answer(of, told, now, then=then, later=(between, after))
    (cause,) = found.of(Standing.CONFIRMED)
    assert (cause.rule, cause.then) == ("eap-expired", True)
    assert cause.fixed_since == AT + timedelta(hours=2)
    assert found.first.startswith("Fixed since ")
    assert found.verdict is Verdict.SOUND


def test_what_nobody_has_seen_since_is_not_fixed() -> None:
    of = plan()
    told = saw("EAP_E_SERVER_CERT_EXPIRED", when=AT)
    then = looked(of, told, eap={"quay3": old_radius()})
    now = looked(of, told, eap={"quay3": Outcome.SILENT}, taken=AT + DAY)
    found = answer(of, told, now, then=then)
    assert confirmed(found) == []
    assert found.of(Standing.POSSIBLE)[0].rule == "eap-expired"
    assert found.verdict is Verdict.UNSEEN


def test_what_still_is_so_is_confirmed_now() -> None:
    of = plan()
    told = saw("EAP_E_SERVER_CERT_EXPIRED", when=AT)
    then = looked(of, told, eap={"quay3": old_radius()})
    now = looked(of, told, eap={"quay3": old_radius()}, taken=AT + DAY)
    (cause,) = answer(of, told, now, then=then).of(Standing.CONFIRMED)
    assert (cause.then, cause.fixed_since) == (False, None)
