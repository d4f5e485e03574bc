"""By which names RadSec peers know a server: RFC 9525's, and realms.

That a star stands in a realm only as the whole left-most label is in the draft that is to replace
RFC 6614 (draft-ietf-radext-radiusdtls-bis, mutual authentication), which points to RFC 7585, 2.2
for the name form; the table is this project's reading of the two.
"""

import pytest
from cryptography import x509
from cryptography.x509.oid import NameOID

from probe.certificate.facts import facts_of
from probe.judge.realms import peers_cover, realm_matches
from tests.judge.pki import Extension, make


def nai_realm(*realms: str, names: tuple[str, ...] = ()) -> Extension:
    """Return alternative names of this form (RFC 7585, 2.2: a UTF8String), and DNS names."""
    oid = x509.ObjectIdentifier("1.3.6.1.5.5.7.8.8")
    encoded = (bytes((0x0C, len(realm.encode()))) + realm.encode() for realm in realms)
    general = [x509.OtherName(oid, octets) for octets in encoded]
    return x509.SubjectAlternativeName([*general, *map(x509.DNSName, names)]), False


@pytest.mark.parametrize(
    ("presented", "realm", "covered"),
    [
        ("foo.example", "foo.example", True),
        ("*.example", "foo.example", True),
        ("*.bar.foo.example", "sub.bar.foo.example", True),
        ("Foo.Example", "foo.example", True),
        ("bücher.example", "xn--bcher-kva.example", True),
        ("*.example", "bar.foo.example", False),
        ("*.foo.example", "foo.example", False),
        ("*ar.foo.example", "bar.foo.example", False),
        ("bar.*.example", "bar.foo.example", False),
        ("*.*.example", "bar.foo.example", False),
        ("*", "example", False),
        ("", "foo.example", False),
        ("foo.example.", "bar.example", False),
    ],
)
def test_realms(presented: str, realm: str, covered: bool) -> None:
    assert realm_matches(presented, realm) is covered


def test_any_name_form_will_do_and_the_common_name_is_none() -> None:
    """RFC 9525, 6.1.1: the common name is not looked at. RFC 6614, 2.3 has it looked at where there
    is no entry, which is told apart."""
    by_realm = facts_of(make("radsec", more=(nai_realm("northpier.example"),)).der)
    by_name = facts_of(make("radsec", names=("radsec.northpier.example",)).der)
    by_address = facts_of(make("radsec", names=("192.0.2.11",)).der)
    in_subject = facts_of(make("radsec.northpier.example").der)
    names = ("radsec.northpier.example", "northpier.example", "192.0.2.11")
    assert peers_cover(by_realm, names).by == "northpier.example"
    assert peers_cover(by_name, names).by == "radsec.northpier.example"
    assert peers_cover(by_address, names).by == "192.0.2.11"
    assert not peers_cover(in_subject, names).covered
    assert peers_cover(in_subject, names).common_name_only


def test_a_realm_that_differs_is_told() -> None:
    facts = facts_of(make("radsec", more=(nai_realm("saltmarsh.example"),)).der)
    why = peers_cover(facts, ("radsec.northpier.example",)).why
    assert why.endswith("; and no name is in the realm saltmarsh.example")


def test_another_name_form_is_no_realm() -> None:
    """id-on-dnsSRV (RFC 4985) is one number away."""
    oid = x509.ObjectIdentifier("1.3.6.1.5.5.7.8.7")
    other = x509.OtherName(oid, b"\x0c\x11northpier.example")
    more = ((x509.SubjectAlternativeName([other]), False),)
    assert not peers_cover(facts_of(make("radsec", more=more).der), ("northpier.example",)).covered
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "northpier.example")])
    assert not peers_cover(facts_of(make(subject).der), ("northpier.example",)).covered
