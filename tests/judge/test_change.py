"""What is new, gone or changed between two surveys, written out by hand."""

from datetime import timedelta

from probe.assessment import Assessment, Change, Verdict
from probe.certificate.container import Expected
from probe.judge.assess import judge
from probe.judge.change import changes, since
from probe.judge.imported import Imported
from probe.observation.model import (
    Aspect,
    Endpoint,
    LookupOutcome,
    Outcome,
    Survey,
    TlsVersion,
    fingerprint,
)
from probe.observe.agenda import Depth
from probe.plan.model import Acceptance, Plan
from probe.records import replace
from tests.judge.pki import AT
from tests.judge.world import (
    GUEST,
    HOSTS,
    OWN,
    eap_chain,
    guest_service,
    plan,
    public,
    seen,
    web_chain,
    with_public,
)

DAY = timedelta(days=1)
PLAN = plan()


def told(before: Survey, after: Survey) -> list[tuple[str, str, tuple[str, ...]]]:
    return [(one.endpoint.value, one.what, one.nodes) for one in changes(before, after)[1]]


def only(before: Survey, after: Survey) -> Change:
    (change,) = changes(before, after)[1]
    return change


def test_the_same_again_is_no_change() -> None:
    compared, found = changes(seen(PLAN, taken=AT - DAY), seen(PLAN))
    assert found == ()
    assert compared == len(seen(PLAN).questions)


def test_a_renewed_certificate_is_one_change_for_all_its_nodes_names_and_hellos() -> None:
    new = with_public(public(*HOSTS, GUEST, begins=AT - DAY))
    change = only(seen(PLAN), seen(PLAN, web={"web/quay2": new, "web/quay3": new}))
    assert (change.endpoint, change.what, change.nodes) == (
        Endpoint.WEB,
        "certificate",
        ("quay2", "quay3"),
    )
    assert change.names == ("quay2.northpier.example", GUEST, "quay3.northpier.example")
    assert change.before == (fingerprint(web_chain()[0]),)
    assert change.after == (fingerprint(new[0]),)
    assert change.says == (
        'quay2 and quay3 serve over HTTPS the certificate "quay1.northpier.example" until'
        " 2027-02-22, in place of one until 2027-01-24."
    )


def test_a_certificate_of_another_name_is_told_with_both_names() -> None:
    other = with_public(public(OWN))
    says = only(seen(PLAN), seen(PLAN, web={"web/quay2": other})).says
    assert f'the certificate "{OWN}" until' in says
    assert 'in place of "quay1.northpier.example" until' in says


def test_the_same_certificate_with_another_chain() -> None:
    alone = web_chain()[:1]
    change = only(seen(PLAN), seen(PLAN, web={"web/quay4": alone}))
    assert (change.what, change.nodes, change.after) == ("chain", ("quay4",), ())
    assert change.says == (
        "quay4 serves over HTTPS the same certificate with other CA certificates: none; before"
        ' "Saltmarsh Issuing".'
    )


def test_what_stops_and_what_begins_to_answer() -> None:
    sound, closed = seen(PLAN), seen(PLAN, eap={"quay2": Outcome.CLOSED})
    stops, begins = only(sound, closed), only(closed, sound)
    assert (stops.what, stops.before, stops.after) == (
        "not-served",
        (fingerprint(eap_chain()[0]),),
        ("closed",),
    )
    assert stops.says == (
        "quay2 shows no certificate over EAP: closed; before: a certificate was served."
    )
    assert (begins.what, begins.before) == ("served", ("closed",))
    assert begins.says == "quay2 serves a certificate over EAP; before: closed."
    silent = seen(PLAN, eap={"quay2": Outcome.SILENT})
    assert (
        only(closed, silent).says == "quay2 shows no certificate over EAP: silent; before: closed."
    )


def test_a_closed_port_is_one_change_whatever_else_was_asked_there() -> None:
    assert told(seen(PLAN), seen(PLAN, web={"web/quay2": Outcome.CLOSED})) == [
        ("web", "not-served", ("quay2",))
    ]


def test_a_certificate_of_the_other_key_family_is_a_change_of_its_own() -> None:
    rsa = with_public(public(*HOSTS, GUEST, rsa_leaf=True))
    change = only(
        seen(PLAN), seen(PLAN, web={"web/quay2/192.0.2.12:443/quay2.northpier.example/rsa": rsa})
    )
    assert change.what == "served"
    assert change.says == (
        "quay2 serves a certificate over HTTPS to clients that take RSA alone; before: refused."
    )


def test_another_version_of_tls() -> None:
    def at(version: TlsVersion) -> Survey:
        survey = seen(PLAN)
        return replace(
            survey,
            handshakes=tuple(
                replace(r, served=replace(r.served, tls=version))
                if r.served and r.nodes == ("quay1",) and r.endpoint is Endpoint.EAP
                else r
                for r in survey.handshakes
            ),
        )

    change = only(at(TlsVersion.TLS1_3), at(TlsVersion.TLS1_2))
    assert (change.what, change.before, change.after) == ("tls", ("TLSv1.3",), ("TLSv1.2",))
    assert change.says == "quay1 agrees over EAP to TLSv1.2, before to TLSv1.3."


def test_dns_that_leads_elsewhere_and_an_answer_that_rotates() -> None:
    before = seen(PLAN)
    after = seen(PLAN, dns={"/guest.northpier.example/A": ["192.0.2.11"]})
    change = only(before, after)
    assert (change.endpoint, change.what, change.names) == (Endpoint.DNS, "answer", (GUEST,))
    assert change.says == (
        "A of guest.northpier.example is 192.0.2.11 by 192.0.2.53, before 192.0.2.11, 192.0.2.12,"
        " 192.0.2.13 and 192.0.2.14."
    )
    _, found = changes(before, after, rotating={GUEST})
    assert found == ()
    gone = seen(PLAN, dns={"/guest.northpier.example/A": LookupOutcome.NO_NAME})
    # The text in `dns` speaks of AAAA, too, which had no data before.
    assert {change.after for change in changes(before, gone)[1]} == {("no-name",)}


def test_labels_drawn_by_chance_and_closer_looks_are_no_change() -> None:
    """A look in depth: of its further questions only those for a kind of key are compared."""
    first, second = (seen(PLAN, depth=Depth.NODE) for _ in range(2))
    second = replace(
        second,
        lookups=tuple(
            replace(r, asked=replace(r.asked, name=r.asked.name.replace("quf7m2kx", "zzzzzzzz")))
            for r in second.lookups
        ),
        handshakes=tuple(
            replace(r, outcome=Outcome.SILENT, served=None)
            if r.asked.aspect in (Aspect.NO_NAME, Aspect.OTHER_NAME, Aspect.OLD_VERSION)
            else r
            for r in second.handshakes
        ),
    )
    assert changes(first, second)[1] == ()


def test_what_was_asked_once_only_is_not_compared() -> None:
    part = seen(PLAN, without=("web/", "eap/"))
    part = replace(part, questions=tuple(q for q in part.questions if q.lookup is not None))
    compared, found = changes(part, seen(PLAN, web={"web/": Outcome.CLOSED}))
    assert (compared, found) == (len(part.questions), ())


# ---------------------------------------------------------------- findings


def judged(of: Plan, survey: Survey) -> Assessment:
    return judge(of, survey, at=survey.taken[0].ended)


def test_findings_that_appear_go_and_stay() -> None:
    before = seen(PLAN, taken=AT - DAY, eap={"quay2": Outcome.CLOSED, "quay3": Outcome.SILENT})
    after = seen(PLAN, eap={"quay3": Outcome.SILENT}, web={"web/quay1": Outcome.CLOSED})
    now = judged(PLAN, after)
    found = since(PLAN, before, after, now)
    by_id = {finding.id: finding for finding in now.findings}
    assert [(by_id[one].rule, by_id[one].nodes) for one in found.appeared] == [
        ("web-closed", ("quay1",))
    ]
    assert [(one.rule, one.nodes) for one in found.gone] == [("eap-closed", ("quay2",))]
    assert found.altered == ()
    assert (found.last, found.oldest, found.nothing) == (AT - DAY, AT - DAY, False)


def test_a_finding_at_more_nodes_is_altered_and_neither_new_nor_gone() -> None:
    before = seen(PLAN, taken=AT - DAY, eap={"quay2": Outcome.CLOSED})
    after = seen(PLAN, eap={"quay2": Outcome.CLOSED, "quay3": Outcome.CLOSED})
    now = judged(PLAN, after)
    found = since(PLAN, before, after, now)
    assert (found.appeared, found.gone) == ((), ())
    (altered,) = found.altered
    assert altered.id == now.findings[0].id
    assert (altered.was, altered.nodes) == (Verdict.BLOCKED, ("quay2",))


def test_what_was_not_asked_to_the_end_is_neither_gone_nor_moved() -> None:
    """As after Ctrl-C: nobody knows whether it is still there."""
    before = seen(PLAN, taken=AT - DAY, eap={"quay2": Outcome.CLOSED, "quay3": Outcome.CLOSED})
    some = seen(PLAN, eap={"quay2": Outcome.CLOSED}, without=("eap/quay3",))
    none = seen(PLAN, without=("eap/quay2", "eap/quay3"))
    for cut_off in (some, none):
        after = replace(cut_off, interrupted=True)
        found = since(PLAN, before, after, judged(PLAN, after))
        assert (found.appeared, found.gone, found.altered) == ((), (), ())
    # The twin in which both were asked: mended at one, and at both.
    mended = seen(PLAN, eap={"quay2": Outcome.CLOSED})
    assert len(since(PLAN, before, mended, judged(PLAN, mended)).altered) == 1
    assert len(since(PLAN, before, seen(PLAN), judged(PLAN, seen(PLAN))).gone) == 1


def test_what_is_not_served_of_an_import_is_no_news() -> None:
    """Nobody knew of the import the last time; what else is new is told as ever."""
    chain = with_public(public(*HOSTS, GUEST, begins=AT - DAY))
    before, same = seen(PLAN, taken=AT - DAY), seen(PLAN)
    worse = seen(PLAN, eap={"quay2": Outcome.CLOSED})
    for after, new in ((same, []), (worse, ["eap-closed"])):
        imported = Imported((Expected(tuple(chain)),), Endpoint.WEB)
        now = judge(PLAN, after, at=AT, expected=imported)
        rules = {finding.id: finding.rule for finding in now.findings}
        assert "import-not-served" in rules.values()
        found = since(PLAN, before, after, now)
        assert [rules[one] for one in found.appeared] == new
        assert (found.gone, found.altered) == ((), ())


def test_a_finding_that_time_makes_worse_is_altered_though_nothing_was_seen_otherwise() -> None:
    soon = with_public(public(*HOSTS, GUEST, days=31, begins=AT - 30 * DAY))
    before = seen(PLAN, web={"web/": soon})
    after = seen(PLAN, web={"web/": soon}, taken=AT + 2 * DAY)
    now = judged(PLAN, after)
    found = since(PLAN, before, after, now)
    assert found.changes == ()
    assert [one.rule for one in found.gone] == ["web-expiring"]
    assert now.findings[0].rule == "web-expired"
    assert found.appeared == (now.findings[0].id,)


def test_accepted_findings_neither_come_nor_go() -> None:
    known = Acceptance("eap-silent", ("quay3",), "in the yard", (AT + 30 * DAY).date())
    of = plan(accepted=(known,))
    before, after = seen(of, taken=AT - DAY), seen(of, eap={"quay3": Outcome.SILENT})
    assert since(of, before, after, judged(of, after)).appeared == ()
    # The twin without the acceptance.
    assert len(since(PLAN, before, after, judged(PLAN, after)).appeared) == 1


def test_services_whose_addresses_rotate_are_left_out() -> None:
    of = plan(services=(guest_service(any_of=True),))
    before = seen(of, dns={"/guest.northpier.example/A": ["192.0.2.11"]}, taken=AT - DAY)
    after = seen(of, dns={"/guest.northpier.example/A": ["192.0.2.12"]})
    assert since(of, before, after, judged(of, after)).nothing
