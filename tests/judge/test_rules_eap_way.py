"""RADIUS servers that fail: what was tried afterwards, and what it says of why."""

from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from probe.assessment import Verdict
from probe.observation.model import (
    Aspect,
    Endpoint,
    KeyFamily,
    Outcome,
    RadiusSeen,
    Trial,
    TrialKind,
)
from probe.plan.model import Audience, Eap, Plan, SecretRef, Service
from probe.records import replace
from tests.judge.eap_world import EVERY, TTLS, Said, said, surveyed
from tests.judge.pki import AT
from tests.judge.world import (
    NODES,
    RADIUS,
    judged,
    nodes,
    noted,
    plan,
    private,
    seen,
    told,
    with_private,
)

THIRD = ("quay3",)
STATUS, UNCONNECTED = TrialKind.STATUS_SERVER, TrialKind.UNCONNECTED
SMALLER, LARGE, WIDER = (
    TrialKind.SMALLER_REPLIES,
    TrialKind.LARGE_REQUEST,
    TrialKind.WIDER_OFFER,
)
SILENCE = (Trial(STATUS, Outcome.SILENT), Trial(UNCONNECTED, Outcome.SILENT))


def others(*odd: str) -> list[Said]:
    return [said(node) for node in NODES if node not in odd]


# ---------------------------------------------------------------- silence


def test_silence_says_what_was_tried() -> None:
    silent = said("quay3", "PEAP", Outcome.SILENT, trials=SILENCE)
    # The trials stand in the first record of the server that was silent.
    second = said("quay3", "EAP-TTLS", Outcome.SILENT, methods=(TTLS,))
    (finding,) = judged(plan(), surveyed(*others("quay3"), silent, second)).findings
    assert (finding.rule, finding.nodes, finding.verdict) == ("eap-silent", THIRD, Verdict.UNSEEN)
    for row in finding.evidence:
        assert "Status-Server: no answer" in row.value
        assert "a retry that takes replies from any address: no answer" in row.value


def test_silence_to_eap_where_status_server_is_answered_is_about_the_request() -> None:
    """RFC 5997, 4.2: a server answers Status-Server of clients that it knows only."""
    answered = Trial(STATUS, Outcome.SERVED, "Access-Accept"), SILENCE[1]
    silent = said("quay3", "PEAP", Outcome.SILENT, trials=answered)
    (finding,) = judged(plan(), surveyed(*others("quay3"), silent)).findings
    assert (finding.rule, finding.verdict) == ("eap-silent", Verdict.UNSEEN)
    assert finding.says.endswith("of quay3, though Status-Server is answered.")
    assert "register" not in finding.remedy
    assert "quay3" in finding.remedy
    assert "cert-probe@example.invalid" in finding.remedy


def test_what_a_server_knows_and_what_it_does_not_are_two_causes() -> None:
    known = said("quay2", "PEAP", Outcome.SILENT, trials=[Trial(STATUS, Outcome.SERVED)])
    unknown = said("quay3", "PEAP", Outcome.SILENT, trials=SILENCE)
    result = judged(plan(), surveyed(*others("quay2", "quay3"), known, unknown))
    assert told(result) == [("eap-silent", "eap", (n,), None) for n in ("quay2", "quay3")]


def test_a_status_reply_that_does_not_verify_is_about_the_secret() -> None:
    tried = Trial(STATUS, Outcome.SECRET_DIFFERS, "its authenticator does not verify"), SILENCE[1]
    silent = said("quay3", "PEAP", Outcome.SILENT, trials=tried)
    result = judged(plan(), surveyed(*others("quay3"), silent))
    assert told(result) == [("eap-secret-differs", "eap", THIRD, None)]


def with_secret(secret: SecretRef) -> Plan:
    eap = Eap(expected_names=(RADIUS,), secret=secret)
    return plan(nodes=nodes(eap=eap), eap=eap)


@pytest.mark.parametrize(
    ("secret", "words"),
    [
        (SecretRef(environment="NORTHPIER_RADIUS"), "environment variable NORTHPIER_RADIUS"),
        (SecretRef(file=Path("/etc/probe/radius.secret")), "in the file radius.secret"),
        (SecretRef(ask=True), "typed in at the start"),
    ],
)
def test_nodes_that_do_not_know_this_machine_are_one_finding(secret: SecretRef, words: str) -> None:
    """With the entry to create: which address, and which secret by its reference."""
    of = with_secret(secret)
    silent = [
        replace(one, record=replace(one.record, source="192.0.2.200"))
        for one in (said(node, "PEAP", Outcome.SILENT, trials=SILENCE) for node in NODES)
    ]
    (finding,) = judged(of, surveyed(*silent)).findings
    assert (finding.rule, finding.nodes) == ("eap-silent", NODES)
    assert finding.remedy.startswith("On quay1, quay2, quay3 and quay4, register 192.0.2.200")
    assert words in finding.remedy
    assert "UDP port 1812" in finding.remedy


def test_silence_beside_a_web_endpoint_that_answers() -> None:
    survey = seen(plan(), eap={"eap/quay3": Outcome.SILENT})
    (finding,) = judged(plan(), survey).findings
    assert "its HTTPS port answers: the machine is up" in finding.evidence[0].value
    both = seen(plan(), eap={"eap/quay3": Outcome.SILENT}, web={"web/quay3": Outcome.SILENT})
    silent = judged(plan(), both).findings[-1]
    assert "nothing comes back from its HTTPS port either" in silent.evidence[0].value


def test_silence_where_this_machine_was_answered_before_says_so() -> None:
    before = seen(plan(), taken=AT - timedelta(days=1))
    now = seen(plan(), eap={"eap/quay3": Outcome.SILENT})
    (finding,) = judged(plan(), now, before=before).findings
    assert finding.verdict is Verdict.BLOCKED
    assert "it answered this machine in the earlier survey" in finding.evidence[0].value


# ---------------------------------------------------------------- replies from elsewhere


def test_a_reply_from_another_address_takes_the_place_of_silence() -> None:
    """RFC 5080, 2.2.2: a reply belongs to a request by its source address too."""
    tried = SILENCE[0], Trial(UNCONNECTED, Outcome.SERVED, "Access-Challenge", "192.0.2.99")
    silent = said("quay3", "PEAP", Outcome.SILENT, trials=tried)
    second = said("quay3", "EAP-TTLS", Outcome.SILENT, methods=(TTLS,))
    result = judged(plan(), surveyed(*others("quay3"), silent, second))
    assert told(result) == [("eap-reply-elsewhere", "eap", THIRD, None)]
    (finding,) = result.findings
    assert finding.verdict is Verdict.BLOCKED
    assert "192.0.2.99 instead of 192.0.2.13" in finding.says
    assert "quay3" in finding.remedy


def test_nodes_that_all_reply_from_elsewhere_are_one_finding() -> None:
    silent = [
        said(
            node,
            "PEAP",
            Outcome.SILENT,
            trials=[Trial(UNCONNECTED, Outcome.SERVED, None, f"203.0.113.{place}")],
        )
        for place, node in enumerate(NODES, 11)
    ]
    assert told(judged(plan(), surveyed(*silent))) == [("eap-reply-elsewhere", "eap", NODES, None)]


def test_an_answer_on_the_second_try_from_the_right_address_is_no_such_thing() -> None:
    """The twin: a datagram was lost."""
    tried = SILENCE[0], Trial(UNCONNECTED, Outcome.SERVED, "Access-Challenge")
    silent = said("quay3", "PEAP", Outcome.SILENT, trials=tried)
    result = judged(plan(), surveyed(*others("quay3"), silent))
    assert told(result) == [("eap-silent", "eap", THIRD, None)]


def test_what_does_not_verify_is_no_reply_from_elsewhere() -> None:
    tried = [Trial(UNCONNECTED, Outcome.SECRET_DIFFERS, None, "192.0.2.99")]
    silent = said("quay3", "PEAP", Outcome.SILENT, trials=tried)
    result = judged(plan(), surveyed(*others("quay3"), silent))
    assert told(result) == [("eap-secret-differs", "eap", THIRD, None)]


# ---------------------------------------------------------------- large packets


@pytest.mark.parametrize(
    "tried",
    [
        (Trial(SMALLER, Outcome.SERVED, "Framed-MTU 500"), Trial(LARGE, Outcome.SERVED)),
        (Trial(SMALLER, Outcome.SERVED, "Framed-MTU 500"), Trial(LARGE, Outcome.SILENT)),
        # A server that cuts as it likes; the way up shows the same.
        (Trial(SMALLER, Outcome.CUT_OFF), Trial(LARGE, Outcome.SILENT)),
    ],
)
def test_large_packets_that_are_lost(tried: tuple[Trial, ...]) -> None:
    """RFC 2865, 5.12; RFC 3579, 2.4: Framed-MTU is a hint for the size of EAP packets."""
    cut = said("quay3", "PEAP", Outcome.CUT_OFF, rounds=2, trials=tried)
    second = said("quay3", "EAP-TTLS", Outcome.CUT_OFF, methods=(TTLS,), rounds=2)
    result = judged(plan(), surveyed(*others("quay3"), cut, second))
    assert told(result) == [("eap-fragments-lost", "eap", THIRD, None)]
    (finding,) = result.findings
    assert finding.verdict is Verdict.BLOCKED
    assert "quay3" in finding.remedy


@pytest.mark.parametrize(
    "tried",
    [
        (),
        (Trial(SMALLER, Outcome.CUT_OFF), Trial(LARGE, Outcome.SERVED)),
        # Nothing at all is answered any more.
        (Trial(SMALLER, Outcome.SILENT), Trial(LARGE, Outcome.SILENT)),
        (Trial(SMALLER, Outcome.NOT_ASKED), Trial(LARGE, Outcome.NOT_ASKED)),
    ],
)
def test_a_conversation_that_breaks_off_in_small_packets_too(tried: tuple[Trial, ...]) -> None:
    """The twin."""
    cut = said("quay3", "PEAP", Outcome.CUT_OFF, rounds=2, trials=tried)
    result = judged(plan(), surveyed(*others("quay3"), cut))
    assert told(result) == [("eap-refused", "eap", THIRD, None)]
    assert result.findings[0].verdict is Verdict.BLOCKED


# ---------------------------------------------------------------- balancers


def virtual(tail: str = "PEAP", ended: Outcome | None = None, **more: Any) -> Said:
    return said(RADIUS, tail, ended, **{"nodes": NODES, **more})


def balanced() -> Plan:
    address = Service(RADIUS, Endpoint.EAP, Audience.STAFF, NODES, addresses=("192.0.2.90",))
    return plan(services=(address,))


@pytest.mark.parametrize(
    "ending", [Outcome.CUT_OFF, Outcome.MALFORMED, Outcome.REFUSED, Outcome.METHOD_REFUSED]
)
def test_a_balancer_that_spreads_a_conversation(ending: Outcome) -> None:
    """RFC 2865, 5.24: State comes back to the server that gave it."""
    result = judged(balanced(), surveyed(*others(), virtual("PEAP", ending, rounds=2)))
    assert told(result) == [("eap-balancer-splits", "eap", NODES, None)]
    (finding,) = result.findings
    assert finding.verdict is Verdict.BLOCKED
    assert "virtual address 192.0.2.90" in finding.says


def test_a_balancer_that_spreads_some_conversations_only() -> None:
    again = virtual("PEAP/again/2", Outcome.CUT_OFF, rounds=2, aspect=Aspect.AGAIN, turn=1)
    result = judged(balanced(), surveyed(*others(), virtual(), again))
    assert told(result) == [("eap-balancer-splits", "eap", NODES, None)]


def test_a_node_that_fails_by_itself_is_no_balancers_fault() -> None:
    """The twin: whoever is led to quay3 fails, there as at its own address."""
    quay3 = said("quay3", "PEAP", Outcome.CUT_OFF, rounds=2)
    broken = virtual("PEAP", Outcome.CUT_OFF, rounds=2)
    result = judged(balanced(), surveyed(*others("quay3"), quay3, broken))
    assert told(result) == [
        ("eap-refused", "eap", NODES, None),
        ("eap-refused", "eap", THIRD, None),
    ]


def test_where_not_every_node_was_asked_nothing_is_said_of_the_balancer() -> None:
    broken = virtual("PEAP", Outcome.CUT_OFF, nodes=("quay1",), rounds=2)
    result = judged(balanced(), surveyed(said("quay1"), broken))
    assert told(result) == [("eap-refused", "eap", ("quay1",), None)]


def test_a_virtual_address_that_loses_large_packets() -> None:
    broken = virtual("PEAP", Outcome.CUT_OFF, trials=[Trial(SMALLER, Outcome.SERVED)], rounds=2)
    result = judged(balanced(), surveyed(*others(), broken))
    assert told(result) == [("eap-fragments-lost", "eap", NODES, None)]


@pytest.mark.parametrize(
    "ending", [Outcome.CLOSED, Outcome.SILENT, Outcome.REFUSED, Outcome.CUT_OFF]
)
def test_where_nodes_serve_by_themselves_the_balancer_is_to_be_looked_at(ending: Outcome) -> None:
    """At one node in depth (probe node quay1), or in a sweep: its service runs."""
    broken = virtual("PEAP", ending, nodes=("quay1",), rounds=1)
    (finding,) = judged(balanced(), surveyed(said("quay1"), broken)).findings
    assert "the balancer at 192.0.2.90" in finding.remedy
    assert "quay1" in finding.remedy
    assert "RADIUS service on quay1" not in finding.remedy


def test_where_a_node_does_not_serve_by_itself_the_node_is_to_be_looked_at() -> None:
    """The twin."""
    closed = said("quay1", "PEAP", Outcome.CLOSED)
    broken = virtual("PEAP", Outcome.CLOSED, nodes=("quay1",))
    findings = judged(balanced(), surveyed(closed, broken)).findings
    assert {one.remedy for one in findings} == {
        "Start the RADIUS service on quay1, and check the port in the plan."
    }


@pytest.mark.parametrize("ending", [Outcome.SILENT, Outcome.CLOSED, Outcome.REJECTED])
def test_what_ends_before_the_midst_is_no_balancers_fault(ending: Outcome) -> None:
    (finding,) = judged(balanced(), surveyed(*others(), virtual("PEAP", ending, rounds=1))).findings
    assert finding.rule in ("eap-silent", "eap-closed", "eap-rejected-early")


# ---------------------------------------------------------------- refusals


def test_a_refusal_that_a_wider_offer_does_not_meet_is_about_the_offer() -> None:
    refused = said(
        "quay3",
        "PEAP",
        Outcome.REFUSED,
        trials=[Trial(WIDER, Outcome.SERVED, "TLSv1.2: the chain came")],
    )
    (finding,) = judged(plan(), surveyed(*others("quay3"), refused)).findings
    assert (finding.rule, finding.verdict) == ("eap-refused", Verdict.UNSEEN)


def test_a_refusal_that_a_wider_offer_meets_too_blocks() -> None:
    """The twin."""
    refused = said("quay3", "PEAP", Outcome.REFUSED, trials=[Trial(WIDER, Outcome.REFUSED)])
    (finding,) = judged(plan(), surveyed(*others("quay3"), refused)).findings
    assert (finding.rule, finding.verdict) == ("eap-refused", Verdict.BLOCKED)


def test_one_method_that_is_refused_after_the_hello_blocks_although_another_is_served() -> None:
    refused = said("quay3", "PEAP", Outcome.REFUSED)
    second = said("quay3", "EAP-TTLS", methods=(TTLS,))
    (finding,) = judged(plan(), surveyed(*others("quay3"), refused, second)).findings
    assert (finding.rule, finding.verdict) == ("eap-refused", Verdict.BLOCKED)


def test_an_error_cause_is_told() -> None:
    """RFC 5176, 3.6."""
    radius = RadiusSeen(
        reply="Access-Reject",
        attributes=(("Error-Cause", "Unsupported-Service"),),
        sent=(("User-Name", "cert-probe@example.invalid"),),
    )
    rejected = said("quay3", "PEAP", Outcome.REJECTED, radius=radius)
    (finding,) = judged(plan(), surveyed(*others("quay3"), rejected)).findings
    assert "Error-Cause: Unsupported-Service" in finding.evidence[0].value
    assert "sent: User-Name=cert-probe@example.invalid" in finding.evidence[0].value


# ---------------------------------------------------------------- further questions


@pytest.mark.parametrize("ending", [Outcome.REFUSED, Outcome.CUT_OFF])
@pytest.mark.parametrize(
    ("tail", "ask"),
    [
        ("PEAP/rsa/TLSv1.3", {"aspect": Aspect.FAMILY, "key_family": KeyFamily.RSA}),
        ("PEAP/old/TLSv1", {"aspect": Aspect.OLD_VERSION, "tls": EVERY[:1]}),
    ],
)
def test_to_refuse_a_family_or_an_old_version_is_no_fault(
    ending: Outcome, tail: str, ask: dict[str, object]
) -> None:
    result = judged(plan(), surveyed(*others(), said("quay3", tail, ending, **ask)))
    assert told(result) == []
    assert noted(result) == []


def test_to_drop_a_request_without_a_signature_is_no_fault() -> None:
    """RFC 3579, 3.2."""
    dropped = said("quay3", "unsigned", Outcome.SILENT, aspect=Aspect.UNSIGNED)
    result = judged(plan(), surveyed(*others(), dropped))
    assert told(result) == []
    assert result.verdict is Verdict.SOUND


@pytest.mark.parametrize(
    ("ending", "rule", "verdict"),
    [
        (Outcome.SILENT, "eap-silent", Verdict.UNSEEN),
        (Outcome.CUT_OFF, "eap-refused", Verdict.BLOCKED),
        (Outcome.REFUSED, "eap-refused", Verdict.BLOCKED),
        (Outcome.CLOSED, "eap-closed", Verdict.BLOCKED),
    ],
)
def test_the_same_again_that_fails(ending: Outcome, rule: str, verdict: Verdict) -> None:
    again = said("quay3", "PEAP/again/2", ending, aspect=Aspect.AGAIN, turn=1)
    (finding,) = judged(plan(), surveyed(*others(), again)).findings
    assert (finding.rule, finding.nodes, finding.verdict) == (rule, THIRD, verdict)
    assert finding.says.endswith("though it answers at other times.")


def test_another_user_that_is_rejected_early_is_a_note() -> None:
    """Rejecting unknown identities early is good practice, and so is suppressing those that fail
    again and again."""
    again = said("quay3", "PEAP/again/2", Outcome.REJECTED, aspect=Aspect.AGAIN, turn=1)
    result = judged(plan(), surveyed(*others(), again))
    assert told(result) == []
    assert noted(result) == [("eap-rejected-early", THIRD)]


def test_a_family_that_throws_the_server_is_unseen() -> None:
    thrown = said(
        "quay3",
        "PEAP/rsa/TLSv1.2",
        Outcome.MALFORMED,
        aspect=Aspect.FAMILY,
        key_family=KeyFamily.RSA,
    )
    (finding,) = judged(plan(), surveyed(*others(), thrown)).findings
    assert (finding.rule, finding.verdict) == ("eap-refused", Verdict.UNSEEN)
    assert finding.says.endswith("to clients that take RSA certificates alone.")


def test_further_questions_are_not_told_where_the_first_visit_failed() -> None:
    """They were not sent, or say the same."""
    base = said("quay3", "PEAP", Outcome.SILENT, trials=SILENCE)
    copied = said("quay3", "PEAP/again/2", Outcome.SILENT, aspect=Aspect.AGAIN, turn=1)
    (finding,) = judged(plan(), surveyed(*others("quay3"), base, copied)).findings
    assert finding.rule == "eap-silent"
    assert not finding.says.endswith("at other times.")


def test_ids_tell_causes_apart() -> None:
    """And stay the same whatever the trials say in words."""
    slow = said("quay3", "PEAP", Outcome.SILENT, trials=SILENCE)
    worded = tuple(replace(trial, detail="no reply within 2 s", seconds=2.0) for trial in SILENCE)
    again = said("quay3", "PEAP", Outcome.SILENT, trials=worded)
    known = said("quay3", "PEAP", Outcome.SILENT, trials=[Trial(STATUS, Outcome.SERVED)])
    ids = [
        judged(plan(), surveyed(*others("quay3"), one)).findings[0].id
        for one in (slow, again, known)
    ]
    assert ids[0] == ids[1] != ids[2]


def test_text_off_the_wire_is_cut() -> None:
    tried = [Trial(STATUS, Outcome.MALFORMED, "x" * 5_000)]
    silent = said("quay3", "PEAP", Outcome.SILENT, trials=tried)
    (finding,) = judged(plan(), surveyed(*others("quay3"), silent)).findings
    assert all(len(row.value) < 1_000 for row in finding.evidence)


def test_a_chain_that_is_seen_at_a_failing_repeat_is_judged() -> None:
    old = with_private(private(RADIUS, begins=AT - timedelta(days=91), days=90))
    again = said("quay3", "PEAP/again/2", old, aspect=Aspect.AGAIN, turn=1)
    result = judged(plan(), surveyed(*others(), again))
    assert told(result) == [("eap-unequal-answers", "eap", THIRD, None)]
    assert "eap-expired" in [below.rule for below in result.findings[0].folded]


def test_a_server_that_answered_before_in_one_method_is_one_finding() -> None:
    """It refused the other one even then."""
    then = seen(plan(), eap={"/EAP-TTLS": Outcome.METHOD_REFUSED}, taken=AT - timedelta(days=1))
    now = seen(plan(), eap={"eap/quay3": Outcome.SILENT})
    result = judged(plan(), now, before=then)
    assert told(result) == [("eap-silent", "eap", THIRD, None)]
    assert result.findings[0].verdict is Verdict.BLOCKED


@pytest.mark.parametrize("ending", [outcome for outcome in Outcome if outcome.value != "served"])
def test_every_ending_names_the_node_in_what_is_to_be_done(ending: Outcome) -> None:
    survey = surveyed(*others("quay3"), said("quay3", "PEAP", ending))
    for finding in judged(plan(), survey).findings:
        assert finding.nodes == THIRD
        assert "quay3" in finding.remedy or ending is Outcome.UNREACHABLE


def test_no_remedy_names_a_secret() -> None:
    """By its reference alone."""
    of = with_secret(SecretRef(environment="NORTHPIER_RADIUS"))
    differs = said("quay3", "PEAP", Outcome.SECRET_DIFFERS)
    (finding,) = judged(of, surveyed(*others("quay3"), differs)).findings
    assert finding.remedy == (
        "Set the same secret for this machine on quay3 and here, which the plan has in the"
        " environment variable NORTHPIER_RADIUS."
    )


def test_a_proxy_that_cannot_pass_the_request_on() -> None:
    """RFC 5176, 3.6, values 502 and 505."""
    for cause in ("Proxy-Request-Not-Routable", "Proxy-Processing-Error"):
        radius = RadiusSeen("Access-Reject", attributes=(("Error-Cause", cause),))
        rejected = said("quay3", "PEAP", Outcome.REJECTED, radius=radius)
        (finding,) = judged(plan(), surveyed(*others("quay3"), rejected)).findings
        assert finding.remedy.startswith("Look at the realms and proxies of quay3")
