"""CAA records against the CA of what is served: what the next renewal would meet."""

from typing import Any

import pytest
from cryptography import x509
from cryptography.x509.oid import AuthorityInformationAccessOID

from probe.assessment import Basis, Verdict
from probe.certificate.facts import facts_of
from probe.judge.issuers import authority_of, known, stands_under
from probe.observation.model import LookupOutcome, Survey
from probe.plan.model import Plan, Resolver
from probe.records import replace
from tests.judge.names import RESOLVER, having, said
from tests.judge.pki import AT, Made, authority, make, name, timestamps
from tests.judge.world import (
    GUEST,
    HOSTS,
    NODES,
    PUBLIC_ROOT,
    RADIUS,
    Chain,
    ca,
    guest_service,
    judged,
    plan,
    private,
    roots,
    seen,
    told,
    trust,
    with_private,
)

DOMAIN = "northpier.example"
KNOWN_CA = "Let's Encrypt"


def issued(*names: str, by: str | None = None, **changes: Any) -> Chain:
    """Return a public chain whose CA has that organisation."""
    issuer = authority(name("Saltmarsh Named CA", by), ca(PUBLIC_ROOT))
    leaf = make(names[0], issuer, names=names, more=(timestamps(3), *changes.pop("more", ())))
    return leaf.der, issuer.der


def caa(place: str, *records: str, **more: Any) -> Any:
    return said(place, "CAA", records, **more)


def with_caa(of: Plan, *pairs: Any, chain: Chain, **more: Any) -> Survey:
    survey = seen(of, web={"web/": chain}, **more)
    places = [(f"{x}", ()) for x in (*HOSTS, GUEST, DOMAIN, "example")]
    absent = [caa(place) for place, _ in places]
    return having(having(survey, *absent), *pairs)


def test_a_set_that_forbids_everybody_stops_the_next_renewal() -> None:
    """RFC 8659, 4.2: issue ";"."""
    chain = issued(*HOSTS, GUEST)
    result = judged(plan(), with_caa(plan(), caa(DOMAIN, '0 issue ";"'), chain=chain))
    assert told(result) == [("dns-caa-forbids", "dns", NODES, None)]
    (finding,) = result.findings
    assert finding.verdict is Verdict.DUE
    assert finding.due == make_end(chain)
    assert finding.says.startswith(f"The CAA records of {DOMAIN}, which count for")
    assert "admit no CA at all" in finding.says
    assert finding.remedy.startswith("Add 'issue' with the issuer domain name of ")
    assert "quay1" in finding.remedy


def make_end(chain: Chain) -> Any:
    return x509.load_der_x509_certificate(chain[0]).not_valid_after_utc


def test_a_known_ca_that_is_not_admitted() -> None:
    chain = issued(*HOSTS, GUEST, by=KNOWN_CA)
    survey = with_caa(plan(), caa(DOMAIN, '0 issue "ca.example.net"'), chain=chain)
    (finding,) = judged(plan(), survey).findings
    assert (finding.rule, finding.verdict) == ("dns-caa-forbids", Verdict.DUE)
    assert "admit ca.example.net, and not Let's Encrypt" in finding.says
    assert """Add '0 issue "letsencrypt.org"' to the CAA records""" in finding.remedy
    assert any("ISRG CP/CPS" in row.value for row in finding.evidence)


@pytest.mark.parametrize(
    "records",
    [
        ('0 issue "letsencrypt.org"',),
        ('0 issue "LetsEncrypt.org; validationmethods=dns-01"',),
        ('0 issue "ca.example.net"', '128 issue "letsencrypt.org"'),
        ('0 issuewild ";"',),
        ('0 iodef "mailto:x@example.net"',),
        ('0 contactemail "x@example.net"',),
    ],
)
def test_a_set_that_admits_the_ca_is_healthy(records: tuple[str, ...]) -> None:
    chain = issued(*HOSTS, GUEST, by=KNOWN_CA)
    assert told(judged(plan(), with_caa(plan(), caa(DOMAIN, *records), chain=chain))) == []


def test_the_nearest_set_alone_counts() -> None:
    """RFC 8659, 3: a set at the name hides the one above it, for this name."""
    chain = issued(*HOSTS, GUEST, by=KNOWN_CA)
    survey = with_caa(
        plan(),
        caa(DOMAIN, '0 issue "letsencrypt.org"'),
        caa(GUEST, '0 issue "ca.example.net"'),
        chain=chain,
    )
    assert told(judged(plan(), survey)) == [("dns-caa-forbids", "dns", NODES, GUEST)]


def test_a_wildcard_is_judged_by_its_own_records() -> None:
    """RFC 8659, 4.3: issuewild counts for wildcards, and instead of issue; the star is no place."""
    chain = issued(f"*.{DOMAIN}", by=KNOWN_CA)
    both = caa(DOMAIN, '0 issue "letsencrypt.org"', '0 issuewild "ca.example.net"')
    result = judged(plan(), with_caa(plan(), both, chain=chain))
    assert told(result) == [("dns-caa-forbids", "dns", NODES, DOMAIN)]
    assert """'0 issuewild "letsencrypt.org"' to""" in result.findings[0].remedy
    turned = caa(DOMAIN, '0 issue "ca.example.net"', '0 issuewild "letsencrypt.org"')
    assert told(judged(plan(), with_caa(plan(), turned, chain=chain))) == []
    # What stands at a name below is not met by the climb from the domain.
    below = caa(GUEST, '0 issue ";"')
    assert told(judged(plan(), with_caa(plan(), below, chain=chain))) == []


def test_an_unknown_critical_property_forbids() -> None:
    """RFC 8659, 4.5."""
    chain = issued(*HOSTS, GUEST, by=KNOWN_CA)
    records = '0 issue "letsencrypt.org"', '128 tbs "Unknown"'
    (finding,) = judged(plan(), with_caa(plan(), caa(DOMAIN, *records), chain=chain)).findings
    assert finding.verdict is Verdict.DUE
    assert '"tbs", which no CA knows' in finding.says
    fine = caa(DOMAIN, records[0], '0 tbs "Unknown"')
    assert told(judged(plan(), with_caa(plan(), fine, chain=chain))) == []


def test_a_critical_property_that_some_cas_know_is_unseen() -> None:
    chain = issued(*HOSTS, GUEST, by=KNOWN_CA)
    records = '0 issue "letsencrypt.org"', '128 contactemail "x@example.net"'
    (finding,) = judged(plan(), with_caa(plan(), caa(DOMAIN, *records), chain=chain)).findings
    assert finding.verdict is Verdict.UNSEEN


def test_an_unknown_ca_is_unseen_and_named_once() -> None:
    chain = issued(*HOSTS, GUEST, by="Saltmarsh Trust")
    survey = with_caa(plan(), caa(DOMAIN, '0 issue "ca.example.net"'), chain=chain)
    result = judged(plan(), survey)
    assert told(result) == [("dns-caa-forbids", "dns", NODES, None)]
    (finding,) = result.findings
    assert finding.verdict is Verdict.UNSEEN
    assert finding.due is None
    assert "whether Saltmarsh Trust is among those" in finding.says
    assert "ca.example.net" in finding.says


def test_a_ca_whose_own_addresses_stand_under_an_admitted_name_is_taken_to_be_admitted() -> None:
    where = x509.AuthorityInformationAccess(
        [
            x509.AccessDescription(
                AuthorityInformationAccessOID.CA_ISSUERS,
                x509.UniformResourceIdentifier("http://ca.saltmarsh.example/issuing.cer"),
            )
        ]
    )
    chain = issued(*HOSTS, GUEST, by="Saltmarsh Trust", more=((where, False),))
    survey = with_caa(plan(), caa(DOMAIN, '0 issue "saltmarsh.example"'), chain=chain)
    assert told(judged(plan(), survey)) == []
    other = with_caa(plan(), caa(DOMAIN, '0 issue "marsh.example"'), chain=chain)
    assert [f.verdict for f in judged(plan(), other).findings] == [Verdict.UNSEEN]


def test_a_ca_that_is_known_from_memory_alone_is_advised() -> None:
    memory = next(one for one in known().values() if one.basis is Basis.MEMORY)
    by = next(organisation for organisation, one in known().items() if one is memory)
    chain = issued(*HOSTS, GUEST, by=by)
    survey = with_caa(plan(), caa(DOMAIN, '0 issue "ca.example.net"'), chain=chain)
    assert [f.verdict for f in judged(plan(), survey).findings] == [Verdict.ADVISED]


def test_a_private_ca_is_not_asked() -> None:
    chain = with_private(private(*HOSTS, GUEST))
    survey = with_caa(plan(), caa(DOMAIN, '0 issue ";"'), chain=chain)
    assert "dns-caa-forbids" not in [f.rule for f in judged(plan(), survey).findings]


def test_no_set_at_all_is_sound() -> None:
    assert told(judged(plan(), with_caa(plan(), chain=issued(*HOSTS, GUEST)))) == []


# ---------------------------------------------------------------- views

FORBIDS = ('0 issue ";"',)


def views(*resolvers: Resolver) -> Plan:
    return plan(resolvers=resolvers)


INNER = Resolver(RESOLVER)
GUESTS = Resolver("10.0.9.53", "guest")
PUBLIC = Resolver("198.51.100.53", "public")
OFFICE = Resolver("10.0.1.53", "office")


def at(resolver: Resolver, place: str, *records: str) -> Any:
    return caa(place, *records, by=resolver.at, view=resolver.view)


def absent(*resolvers: Resolver) -> list[Any]:
    places = (*HOSTS, GUEST, DOMAIN, "example")
    return [at(resolver, place) for resolver in resolvers for place in places]


@pytest.mark.parametrize(
    ("shown", "seen_by", "is_due"),
    [
        # The set of a guest or public view counts, whatever an inner one has.
        ({GUESTS: FORBIDS}, (INNER, GUESTS), True),
        ({GUESTS: ('0 issue "letsencrypt.org"',), INNER: FORBIDS}, (INNER, GUESTS), False),
        # A guest view without CAA is no answer: then a view without a name counts.
        ({INNER: FORBIDS}, (INNER, GUESTS), True),
        # The public view without CAA is one.
        ({INNER: FORBIDS}, (INNER, PUBLIC), False),
        # Another view is an inner one.
        ({OFFICE: FORBIDS}, (INNER, OFFICE), False),
        # As long as one that counts admits the CA, a CA may see it so.
        ({GUESTS: FORBIDS, PUBLIC: ('0 issue "letsencrypt.org"',)}, (GUESTS, PUBLIC), False),
    ],
)
def test_only_what_the_public_sees_counts(
    shown: dict[Resolver, tuple[str, ...]], seen_by: tuple[Resolver, ...], is_due: bool
) -> None:
    of = views(*seen_by)
    chain = issued(*HOSTS, GUEST, by=KNOWN_CA)
    records = [at(resolver, DOMAIN, *texts) for resolver, texts in shown.items()]
    survey = having(seen(of, web={"web/": chain}), *absent(*seen_by))
    result = judged(of, having(survey, *records))
    assert [f.verdict for f in result.findings] == ([Verdict.DUE] if is_due else [])


@pytest.mark.parametrize("way", [LookupOutcome.SILENT, LookupOutcome.FAILED, LookupOutcome.INVALID])
def test_a_failure_on_the_way_up_leaves_nothing_to_be_claimed(way: LookupOutcome) -> None:
    chain = issued(GUEST, *HOSTS, by=KNOWN_CA)
    survey = with_caa(
        plan(),
        caa(DOMAIN, *FORBIDS),
        *(said(place, "CAA", way) for place in (*HOSTS, GUEST)),
        chain=chain,
    )
    result = judged(plan(), survey)
    assert [(f.rule, f.verdict) for f in result.findings] == [("dns-no-answer", Verdict.UNSEEN)]
    assert "CAA records of" in result.findings[0].says


@pytest.mark.parametrize("way", [LookupOutcome.REFUSED, LookupOutcome.LAME])
def test_a_server_that_knows_its_own_zone_alone_is_healthy(way: LookupOutcome) -> None:
    """An authoritative server as resolver: of what stands above its zone it says nothing."""
    chain = issued(*HOSTS, GUEST, by=KNOWN_CA)
    above = said("example", "CAA", way)
    result = judged(plan(), with_caa(plan(), above, chain=chain))
    assert (told(result), [note.rule for note in result.notes]) == ([], ["dns-caa-forbids"])
    assert result.notes[0].says == (
        "Resolver 192.0.2.53 declines to tell, and nobody else told, whether example has CAA"
        " records."
    )
    # What it knows counts.
    both = with_caa(plan(), above, caa(DOMAIN, *FORBIDS), chain=chain)
    assert [f.verdict for f in judged(plan(), both).findings] == [Verdict.DUE]
    # Somebody else who knows ends the doubt.
    of = views(INNER, GUESTS)
    survey = having(with_caa(of, above, chain=chain), *absent(GUESTS))
    assert judged(of, survey).notes == ()


@pytest.mark.parametrize("way", [LookupOutcome.REFUSED, LookupOutcome.LAME])
def test_a_simple_server_that_knows_addresses_alone_is_healthy(way: LookupOutcome) -> None:
    """RFC 4074, 4.3: it gives the name's A records, and declines every other type."""
    chain = issued(*HOSTS, GUEST, by=KNOWN_CA)
    survey = with_caa(plan(), said(GUEST, "CAA", way), chain=chain)
    result = judged(plan(), survey)
    assert told(result) == []
    (note,) = result.notes
    assert f"nobody else told, whether {GUEST} has CAA records" in note.says


def test_a_refusal_of_all_about_a_name_is_unseen() -> None:
    chain = issued(*HOSTS, GUEST, by=KNOWN_CA)
    refused = [said(GUEST, kind, LookupOutcome.REFUSED) for kind in ("A", "AAAA", "CAA")]
    result = judged(plan(), with_caa(plan(), *refused, chain=chain))
    assert told(result) == [("dns-no-answer", "dns", NODES, GUEST)]


@pytest.mark.parametrize(
    ("view", "way", "is_unseen"),
    [
        (GUESTS, LookupOutcome.SILENT, False),
        (GUESTS, LookupOutcome.FAILED, False),
        # A CA whose resolver validates meets the same.
        (GUESTS, LookupOutcome.INVALID, True),
        # What is meant to be the public's view is asked for the sake of this.
        (PUBLIC, LookupOutcome.SILENT, True),
    ],
)
def test_what_serves_guests_may_let_no_caa_through(
    view: Resolver, way: LookupOutcome, *, is_unseen: bool
) -> None:
    """A resolver without a view tells that there is none."""
    of = views(INNER, view)
    chain = issued(*HOSTS, GUEST, by=KNOWN_CA)
    failing = [
        said(place, "CAA", way, by=view.at, view=view.view)
        for place in (*HOSTS, GUEST, DOMAIN, "example")
    ]
    survey = having(with_caa(of, chain=chain), *failing)
    assert [f.rule for f in judged(of, survey).findings] == ["dns-no-answer"] * is_unseen
    # Where nobody tells, it stays unseen.
    nobody = having(survey, *(said(p, "CAA", LookupOutcome.FAILED) for p in (*HOSTS, GUEST)))
    assert "dns-no-answer" in [f.rule for f in judged(of, nobody).findings]


def test_records_behind_an_alias_are_those_of_its_target() -> None:
    """RFC 8659, 3: aliases are followed, and no other record may stand beside one."""
    chain = issued(*HOSTS, GUEST, by=KNOWN_CA)
    there = [caa(place, *FORBIDS, aliases=("pool.hoster.example",)) for place in (GUEST, HOSTS[0])]
    (finding,) = judged(plan(), with_caa(plan(), *there, chain=chain)).findings
    assert finding.says.startswith("The CAA records of pool.hoster.example, which count for")
    assert "to the CAA records of pool.hoster.example" in finding.remedy


def test_what_nobody_needs_to_know_may_fail() -> None:
    """No public CA is behind the certificates: CAA is not applied."""
    of = plan(trust=trust_all())
    survey = seen(of, web={"web/": with_private(private(*HOSTS, GUEST))})
    pairs = [said(place, "CAA", LookupOutcome.SILENT) for place in (*HOSTS, GUEST, DOMAIN)]
    assert told(judged(of, having(survey, *pairs))) == []


def trust_all() -> Any:
    own = trust().eap
    return replace(trust(), web=(*trust().web, *own), staff=(*trust().staff, *own))


def test_a_public_eap_certificate_is_judged_too() -> None:
    shipped = roots("public", ca(PUBLIC_ROOT))
    of = plan(trust=replace(trust(), public=(shipped,), eap=(shipped,)))
    chain = issued(RADIUS, by=KNOWN_CA)
    survey = seen(of, eap={"eap/": chain})
    survey = having(survey, *(caa(place) for place in (*HOSTS, GUEST, RADIUS, "example")))
    survey = having(survey, caa(DOMAIN, *FORBIDS))
    rules = {(f.rule, f.name) for f in judged(of, survey).findings}
    assert ("dns-caa-forbids", None) in rules or ("dns-caa-forbids", RADIUS) in rules


# ---------------------------------------------------------------- the data


def test_the_data_of_cas_is_whole() -> None:
    for organisation, one in known().items():
        assert one.identifiers, organisation
        assert one.source, organisation
        assert one.basis in (Basis.PUBLISHED, Basis.MEMORY), organisation
        for identifier in one.every:
            assert identifier == identifier.lower()
            assert "." in identifier
    published = {one.identifiers[0] for one in known().values() if one.basis is Basis.PUBLISHED}
    assert "letsencrypt.org" in published
    assert authority_of("LET'S ENCRYPT") is authority_of("Let's Encrypt")
    assert authority_of("Nobody We Know") is None
    assert authority_of(None) is None


def test_hosts_of_a_certificate_that_are_none() -> None:
    odd = ("http://[::1/", "://", "ldap:///CN=x", "http://user@saltmarsh.example:80/x")
    made: Made = make(
        "x.example",
        more=(
            (
                x509.AuthorityInformationAccess(
                    [
                        x509.AccessDescription(
                            AuthorityInformationAccessOID.OCSP,
                            x509.UniformResourceIdentifier(text),
                        )
                        for text in odd
                    ]
                ),
                False,
            ),
        ),
    )
    assert stands_under((facts_of(made.der),), ("saltmarsh.example",))
    assert not stands_under((facts_of(made.der),), ("marsh.example", "x.example"))


def test_a_service_that_guests_do_not_open_has_its_certificate_all_the_same() -> None:
    of = plan(services=(guest_service(nodes=NODES[:1]),))
    chain = issued(*HOSTS, GUEST)
    result = judged(of, with_caa(of, caa(HOSTS[2], *FORBIDS), chain=chain))
    assert told(result) == [("dns-caa-forbids", "dns", NODES, HOSTS[2])]
    assert result.findings[0].due is not None
    assert result.findings[0].due > AT
