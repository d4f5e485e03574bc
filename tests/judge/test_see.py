"""The line of each web finding by which everybody can see it for himself.

The commands are held to the options of OpenSSL 3's s_client as its manual has them.
"""

from probe.assessment import Finding
from probe.observation.model import Outcome
from probe.observe.agenda import Depth
from probe.records import replace
from tests.judge.pki import make
from tests.judge.world import GUEST, HOSTS, host, judged, nodes, plan, seen

SELF = (make("appliance", names=(*HOSTS, GUEST), rsa_leaf=True).der,)


def line(finding: Finding) -> str:
    (row,) = [row for row in finding.evidence if row.what == "to see it"]
    assert row.observation is not None
    return row.value


def test_by_the_name_and_address_that_were_asked() -> None:
    (finding,) = judged(plan(), seen(plan(), web={"web/quay3": SELF})).findings
    assert line(finding) == (
        "openssl s_client -connect 192.0.2.13:443 -servername quay3.northpier.example"
        " -showcerts </dev/null"
    )


def test_by_the_key_family_and_version_that_were_asked() -> None:
    rsa = "rsa_pss_rsae_sha256:RSA+SHA256:RSA+SHA384"
    for depth, tail, options in (
        (Depth.SWEEP, "/rsa", f"-cipher aRSA -sigalgs {rsa}"),
        (Depth.NODE, "/rsa/TLSv1.2", "-tls1_2 -cipher aRSA"),
        (Depth.NODE, "/rsa/TLSv1.3", f"-tls1_3 -sigalgs {rsa}"),
    ):
        answers = {f"web/quay3/192.0.2.13:443/{host('quay3')}{tail}": SELF}
        (finding,) = judged(plan(), seen(plan(), depth=depth, web=answers)).findings
        assert line(finding) == (
            "openssl s_client -connect 192.0.2.13:443 -servername quay3.northpier.example"
            f" {options} -showcerts </dev/null"
        )


def test_by_the_address_that_this_machine_reaches() -> None:
    """Behind a NAT the planned address leads nowhere; IPv6 is written in brackets."""
    moved = nodes(connect=(("192.0.2.13", "2001:db8::7"),))
    of = plan(nodes=moved)
    (finding,) = judged(of, seen(of, web={"web/quay3": Outcome.CLOSED})).findings
    assert "-connect [2001:db8::7]:443 " in line(finding)


def test_where_there_was_no_address_by_asking_for_one() -> None:
    of = plan(nodes=nodes(("quay1",), addresses=None), services=())
    survey = seen(of, web={"web/": Outcome.UNREACHABLE}, dns={"quay1": ("192.0.2.11",)})
    (finding,) = judged(of, survey).findings
    assert line(finding) == "dig +short quay1.northpier.example A quay1.northpier.example AAAA"


def test_a_name_with_odd_letters_is_quoted() -> None:
    """Who pastes the line runs no other command."""
    odd = replace(nodes(("quay1",))[0], host="a;reboot")
    of = plan(nodes=(odd,), services=())
    (finding,) = judged(of, seen(of, web={"web/": Outcome.CLOSED})).findings
    assert "-servername 'a;reboot' " in line(finding)


def test_findings_of_other_endpoints_have_none() -> None:
    survey = seen(plan(), eap={"eap/quay3": Outcome.CLOSED})
    (finding,) = judged(plan(), survey).findings
    assert [row.what for row in finding.evidence if row.what == "to see it"] == []
