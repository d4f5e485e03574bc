"""What is said about names: which label or rule failed, and what is covered instead."""

from ipaddress import ip_address

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from probe.certificate.facts import Name, facts_of
from probe.judge.names import (
    Presented,
    covers,
    dns_name_matches,
    reference_name,
    supplicant_covers,
)
from probe.judge.words import called, quoted_name
from probe.records import replace
from tests.judge.pki import make, name

LEAF = facts_of(make("x", names=["*.northpier.example", "portal.northpier.example"]).der)


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("a.b.northpier.example", "the star of '*.northpier.example' stands for one label"),
        ("northpier.example", "covers names below northpier.example, not that name itself"),
        ("portal.northpier.test", "label 'example'"),
        ("bad name", "is not a name that can be looked up"),
        ("192.0.2.1", "no address entry is 192.0.2.1"),
    ],
)
def test_a_mismatch_says_which_rule_failed(name: str, says: str) -> None:
    match = covers(LEAF, name)
    assert not match.covered
    assert says in match.why


def test_a_mismatch_says_what_is_covered_instead() -> None:
    many = facts_of(make("x", names=[f"n{number}.northpier.example" for number in range(8)]).der)
    why = covers(many, "other.northpier.example").why
    assert "covers n0.northpier.example, n1.northpier.example" in why
    assert why.endswith("and 3 more")


@pytest.mark.parametrize(
    ("names", "by"),
    [
        (("a.example", "*.pier.example", "kai1.pier.example"), "*.pier.example"),
        (("a.example", "KAI1.pier.example", "*.pier.example"), "KAI1.pier.example"),
        # The Kelvin sign is a k in lower case, and no letter of a name in a certificate.
        (("\u212aai1.pier.example", "*.pier.example"), "*.pier.example"),
        (("*.pier.example.", "kai1.pier.example", "*.pier.example"), "kai1.pier.example"),
        (("*", "*.example", "*.*.example", "k*.pier.example", "pier.example"), None),
    ],
)
def test_the_first_entry_that_covers_a_name_is_told(names: tuple[str, ...], by: str | None) -> None:
    facts = replace(LEAF, names=tuple(Name("dns", entry) for entry in names))
    asked = Presented(facts)
    assert asked.covers("kai1.pier.example").by == by
    assert asked.covers("kai1.pier.example") == covers(facts, "kai1.pier.example")
    assert asked.covers("kai1.pier.example.org").by is None


def test_an_entry_that_is_invalid_says_why() -> None:
    facts = facts_of(make("x", names=["w*.northpier.example"]).der)
    why = covers(facts, "www.northpier.example").why
    assert "a star must be the whole left-most label" in why


def test_a_certificate_without_names_says_so() -> None:
    match = covers(facts_of(make("x").der), "quay1.northpier.example")
    assert "no subject alternative name for a server" in match.why
    assert not match.common_name_only


def test_an_address_is_compared_by_its_octets() -> None:
    facts = facts_of(make("x", names=["2001:db8::11"]).der)
    assert covers(facts, ip_address("2001:db8::11")).covered
    assert covers(facts, "2001:0DB8::0011").covered
    assert not covers(facts, "2001:db8::12").covered


def test_reference_names_are_brought_to_one_form() -> None:
    """RFC 9525, 6.3 and RFC 5891, 5: U-labels become A-labels; what is no label is refused."""
    assert reference_name("BÜCHER.example.") == "xn--bcher-kva.example"
    assert reference_name("faß.example") == "xn--fa-hia.example"
    assert reference_name("radius_1.example") == "radius_1.example"
    for wrong in ("", ".", "a..example", "a" * 64 + ".example", "\u2028.example", "a b.example"):
        assert reference_name(wrong) is None
    assert reference_name(".".join(["a" * 60] * 5)) is None


def test_windows_names_the_builds_only_where_case_differs() -> None:
    """Microsoft, EAP changes in Windows 11."""
    facts = facts_of(make("x", names=["radius.northpier.example"]).der)
    same = supplicant_covers(facts, ("radius.northpier.example",), "windows-eap")
    other = supplicant_covers(facts, ("Radius.northpier.example",), "windows-eap")
    assert (same.covered, same.depends) == (True, None)
    assert other.covered
    assert other.depends


def test_a_supplicants_mismatch_names_both_sides() -> None:
    facts = facts_of(make("x", names=["quay4.northpier.example"]).der)
    match = supplicant_covers(facts, ("radius.northpier.example",), "android-eap")
    assert not match.covered
    assert "no entry is radius.northpier.example" in match.why
    assert "covers quay4.northpier.example" in match.why


def test_a_name_that_only_looks_alike_is_spelled_out() -> None:
    """RFC 5280, 4.2.1.6: host names are ASCII. The first letter a here is Cyrillic (U+0430)."""
    facts = facts_of(make("r\u0430dius.northpier.example", names=()).der)
    match = supplicant_covers(facts, ("radius.northpier.example",), "linux-eap")
    assert not match.covered
    assert match.why.isascii()
    assert called(facts) == '"r\\u0430dius.northpier.example"'
    assert called(facts_of(make("Hafenbeh\u00f6rde 1. Stock", names=()).der)).startswith(
        '"Hafenbeh\u00f6'
    )


@pytest.mark.parametrize("family", ["apple-eap", "android-eap", "linux-eap", "windows-eap"])
@pytest.mark.parametrize(
    "entry",
    ["\uff52adius.northpier.example", "radius.northpier.example.", "radius\u3002northpier.example"],
)
def test_an_entry_that_is_no_valid_one_covers_nothing_for_any_supplicant(
    entry: str, family: str
) -> None:
    """RFC 9525, 6.3 has presented names in A-labels; mapping (UTS 46) is for what users type."""
    facts = replace(facts_of(make("x").der), names=(Name("dns", entry),))
    assert not supplicant_covers(facts, ("radius.northpier.example",), family).covered


def test_a_comma_within_a_value_does_not_begin_a_common_name() -> None:
    """RFC 4514, 2.4: it is escaped there."""
    issuer = make("x", make(name("Dry Dock Test CA", "Evil,CN=Northpier Root"), ca=True))
    assert quoted_name(facts_of(issuer.der).issuer) == '"Dry Dock Test CA"'
    assert quoted_name("O=Evil\\,CN=Northpier Root,C=XX") == r'"O=Evil\,CN=Northpier Root,C=XX"'


@given(st.text(max_size=80), st.text(max_size=80))
@settings(max_examples=300, deadline=None)
def test_any_text_has_an_answer(pattern: str, reference: str) -> None:
    assert dns_name_matches(pattern, reference) in (True, False)
    assert covers(LEAF, reference).why


@given(st.from_regex(r"[a-z]{1,8}(\.[a-z]{1,8}){1,3}", fullmatch=True))
@settings(max_examples=100, deadline=None)
def test_a_star_covers_the_left_most_label_and_nothing_else(name: str) -> None:
    first, _, rest = name.partition(".")
    assert dns_name_matches("*." + rest, name)
    assert not dns_name_matches("*." + name, name)
    assert not dns_name_matches("*." + rest, "x." + name)
    assert not dns_name_matches("*." + rest, first + "x." + rest + "x")
