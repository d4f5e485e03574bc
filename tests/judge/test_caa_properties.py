"""Random CAA and TLSA records: read or left out, and never a traceback or a long wait."""

from time import process_time

from hypothesis import given
from hypothesis import strategies as st

from probe.judge.caa import Property, admission, climb, issuer_of, parse
from probe.judge.tlsa import parse as parse_tlsa

LABEL = st.text("abcz019", min_size=1, max_size=5)
DOMAIN = st.lists(LABEL, min_size=1, max_size=4).map(".".join)
TAG = st.sampled_from(["issue", "issuewild", "iodef", "tbs", "ISSUE", "contactemail"])
PROPERTY = st.builds(
    Property,
    st.integers(0, 255),
    TAG.map(str.lower),
    st.one_of(DOMAIN, st.text(max_size=20), st.just(";")),
)


@given(st.text(max_size=200))
def test_any_text_is_read_or_left_out(text: str) -> None:
    parse(text)
    issuer_of(text)
    parse_tlsa(text)


@given(DOMAIN, st.lists(PROPERTY, max_size=5), st.booleans())
def test_who_is_named_is_admitted_unless_nobody_is(
    domain: str, records: list[Property], wildcard: bool
) -> None:
    """RFC 8659, 4.2: authorisations are additive; 4.5: an unknown critical property forbids."""
    said = admission(records, wildcard=wildcard)
    tag = said.tag
    more = admission([*records, Property(0, tag, domain)], wildcard=wildcard)
    assert more.admits((domain,)) is not bool(more.unknown)
    if said.nobody:
        assert not said.admits((domain, *said.issuers))
    assert said.issuers <= more.issuers


@given(DOMAIN)
def test_the_climb_ends_below_the_root(name: str) -> None:
    """RFC 8659, 3."""
    places = climb(f"*.{name}")
    assert places == climb(name)
    assert places[0] == name
    assert places[-1] == name.rpartition(".")[2]
    assert len(places) == name.count(".") + 1


def test_long_values_cost_no_time() -> None:
    began = process_time()
    for value in (
        "a-" * 4_000,
        "a." * 4_000,
        " " * 8_000,
        "a;" + "a=;" * 3_000,
        "a;a=" + " " * 8_000,
    ):
        assert issuer_of(value) is None or value.isspace() or "=" in value
        assert parse(f'0 issue "{value}') is None
    assert process_time() - began < 1
