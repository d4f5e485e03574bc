"""What supplicants' makers require of an EAP certificate: each fault, and its healthy twin."""

from cryptography import x509

from probe.assessment import Assessment, Does, Verdict
from probe.plan.model import Eap, Plan
from probe.records import replace
from tests.judge.pki import Extension, make, name
from tests.judge.world import (
    NODES,
    PRIVATE_ISSUING,
    PRIVATE_ROOT,
    RADIUS,
    Chain,
    ca,
    clients,
    folded,
    judged,
    nodes,
    noted,
    plan,
    private,
    public,
    seen,
    told,
    trust,
    with_private,
    with_public,
)

STRICT = "1.3.6.1.4.1.40808.1.3.1"
TOFU = "1.3.6.1.4.1.40808.1.3.2"
ISSUER = (PRIVATE_ISSUING, PRIVATE_ROOT)


def eap(chain: Chain, of: Plan | None = None) -> Assessment:
    of = of or plan()
    return judged(of, seen(of, eap={"eap/": chain}))


def public_eap(*expected: str) -> Plan:
    asked = Eap(expected_names=expected)
    known = trust()
    return plan(trust=replace(known, eap=known.public), eap=asked, nodes=nodes(eap=asked))


def stating(policy: str) -> Extension:
    information = x509.PolicyInformation(x509.ObjectIdentifier(policy), None)
    return x509.CertificatePolicies([information]), False


# ---------------------------------------------------------------- a public root


def test_a_public_root_without_an_expected_name() -> None:
    """RFC 9190, 2.2: then any holder of a public certificate is accepted."""
    result = eap(with_public(public(RADIUS)), public_eap())
    assert told(result) == [("eap-public-root", "eap", NODES, None)]
    does = {r.client: r.does for r in result.findings[0].reactions}
    # Android, secure Wi-Fi enterprise configuration; Apple source, EAP trusted server names.
    assert does["android-eap"] is Does.REFUSES
    assert does["apple-eap"] is Does.CONTINUES
    without = replace(public_eap(), clients=clients("apple-eap", "windows-eap", "linux-eap"))
    (finding,) = eap(with_public(public(RADIUS)), without).findings
    assert (finding.verdict, finding.clients) == (Verdict.ADVISED, ())


def test_a_public_root_with_an_expected_name_is_sound() -> None:
    assert told(eap(with_public(public(RADIUS)), public_eap(RADIUS))) == []


def test_a_private_root_without_an_expected_name_is_sound() -> None:
    asked = Eap()
    of = plan(eap=asked, nodes=nodes(eap=asked))
    assert told(eap(with_private(private(RADIUS)), of)) == []


def test_a_public_root_that_is_not_planned_is_the_other_rules_business() -> None:
    asked = Eap()
    of = plan(eap=asked, nodes=nodes(eap=asked))
    assert told(eap(with_public(public(RADIUS)), of)) == [("eap-unknown-root", "eap", NODES, None)]


# ---------------------------------------------------------------- subject and names


def test_an_empty_subject() -> None:
    """Microsoft, certificate requirements for PEAP and EAP; a limit of its own."""
    bare = make(name(None), ca(*ISSUER), names=[RADIUS])
    result = eap(with_private(bare))
    assert told(result) == [("eap-empty-subject", "eap", NODES, None)]
    assert result.findings[0].verdict is Verdict.ADVISED
    without = plan(clients=clients("apple-eap", "android-eap", "linux-eap"))
    assert told(eap(with_private(bare), without)) == []


def test_a_subject_without_a_common_name_is_not_empty() -> None:
    named = make(name(None, "Northpier Ferries"), ca(*ISSUER), names=[RADIUS])
    assert told(eap(with_private(named))) == []


def test_no_alternative_names() -> None:
    """RFC 5216, 5.2: a dNSName should be there; clients take the common name meanwhile."""
    result = eap(with_private(make(RADIUS, ca(*ISSUER))))
    assert told(result) == [("eap-no-alternative-names", "eap", NODES, None)]
    assert result.findings[0].verdict is Verdict.ADVISED


def test_a_wrong_name_without_alternative_names_is_one_finding() -> None:
    result = eap(with_private(make("other.northpier.example", ca(*ISSUER))))
    assert told(result) == [("eap-name-unexpected", "eap", NODES, None)]
    assert folded(result) == ["eap-no-alternative-names"]


# ---------------------------------------------------------------- no way out by a prompt


def differing(policy: str | None) -> Assessment:
    more = (stating(policy),) if policy else ()
    one, other = (with_private(private(RADIUS, more=more)) for _ in range(2))
    of = plan(clients=clients(by_hand=("windows-eap", "apple-eap")))
    return judged(of, seen(of, eap={"eap/": one, "eap/quay3": other}))


def test_a_policy_that_takes_the_prompt_away_is_a_note() -> None:
    for policy in (STRICT, TOFU):
        result = eap(with_private(private(RADIUS, more=(stating(policy),))))
        assert told(result) == []
        assert noted(result) == [("eap-override-disabled", NODES)]
    assert noted(eap(with_private(private(RADIUS, more=(stating("1.2.3.4"),))))) == []


def test_and_blocks_who_would_be_warned() -> None:
    """Microsoft, EAP changes in Windows 11: no prompt, or none but the first."""
    (plain,) = differing(None).findings
    assert (plain.rule, plain.verdict) == ("eap-leaf-differs", Verdict.WARNED)
    for policy in (STRICT, TOFU):
        (finding,) = differing(policy).findings
        does = {r.client: r.does for r in finding.reactions}
        assert finding.verdict is Verdict.BLOCKED
        assert does == {"windows-eap": Does.REFUSES, "apple-eap": Does.WARNS}
