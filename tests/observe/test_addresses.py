"""How a resolver's place is written in the plan."""

import pytest

from probe.plan.addresses import is_address, split_address, with_port


@pytest.mark.parametrize(
    ("text", "place"),
    [
        ("192.0.2.53", ("192.0.2.53", 53)),
        ("192.0.2.53:5353", ("192.0.2.53", 5353)),
        ("2001:db8::53", ("2001:db8::53", 53)),
        ("[2001:db8::53]", ("2001:db8::53", 53)),
        ("[2001:db8::53]:65535", ("2001:db8::53", 65535)),
        # RFC 5952, section 4: lower case, no leading zeros, the longest run of zeros shortened.
        ("2001:DB8:0:0:0:0:0:53", ("2001:db8::53", 53)),
    ],
)
def test_an_address_with_or_without_port(text: str, place: tuple[str, int]) -> None:
    assert split_address(text, 53) == place


@pytest.mark.parametrize(
    "text",
    [
        "",
        "resolver.northpier.example",
        "192.0.2.53:",
        "192.0.2.53:0",
        "192.0.2.53:65536",
        "192.0.2.53:+53",
        "192.0.2.53:٥٣",
        "192.0.2.53:99999999999999999999",
        "[192.0.2.53]:53",
        "[2001:db8::53",
        "[2001:db8::53]53",
        "[2001:db8::53]:",
        "192.0.2.053",
    ],
)
def test_anything_else_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"address|port"):
        split_address(text, 53)


def test_an_address_and_port_in_one_word() -> None:
    """RFC 3986, 3.2.2: an IPv6 address stands in brackets."""
    assert with_port("192.0.2.53", 53) == "192.0.2.53:53"
    assert with_port("2001:db8::53", 53) == "[2001:db8::53]:53"


def test_names_are_told_from_addresses() -> None:
    assert is_address("2001:db8::53")
    assert not is_address("quay1.northpier.example")
