"""Certificate requests made by the openssl command."""

import pytest

from probe.certificate.container import RequestError, read_request
from probe.certificate.container.key import proves
from probe.certificate.facts import Name
from probe.observation.model import KeyFamily
from tests.certificate.makes import one, openssl, world


def request(*options: str) -> bytes:
    return openssl(
        *("req", "-new", "-key", world().path("leaf.key")),
        *("-subj", "/C=NL/O=Northpier Ferries/CN=quay1.northpier.example", *options),
    )


def test_what_a_request_asks_for() -> None:
    octets = request(
        *("-addext", "subjectAltName=DNS:quay1.northpier.example,IP:192.0.2.11"),
        *("-addext", "extendedKeyUsage=serverAuth"),
        *("-addext", "keyUsage=digitalSignature"),
    )
    for form in (octets, openssl("req", "-outform", "DER", given=octets)):
        found = read_request(form)
        assert found.subject == "CN=quay1.northpier.example,O=Northpier Ferries,C=NL"
        assert found.common_name == "quay1.northpier.example"
        assert found.names == (Name("dns", "quay1.northpier.example"), Name("ip", "192.0.2.11"))
        assert (found.key, found.key_family, found.key_bits) == ("RSA 2048", KeyFamily.RSA, 2048)
        assert found.signature == "sha256WithRSAEncryption"
        assert found.signed is True
        assert found.purposes == ("1.3.6.1.5.5.7.3.1",)
        assert found.key_usage == ("digitalSignature",)
        assert (found.is_ca, found.oddities) == (None, ())


@pytest.mark.parametrize("last", [b"\n", b"\r"])
def test_line_ends_behind_it_are_none_of_its_own(last: bytes) -> None:
    """A signature may end as a line does."""
    der = openssl("req", "-outform", "DER", given=request())[:-1] + last
    assert read_request(der).der == read_request(der + b"\r\n").der == der


def test_a_request_without_extensions() -> None:
    found = read_request(request())
    assert (found.names, found.purposes, found.oddities) == ((), None, ())


def test_a_request_belongs_to_its_key() -> None:
    found = read_request(request())
    for name, expected in (("leaf.key", True), ("other.key", False)):
        with open(world().path(name), "rb") as file:
            (key,) = one(file.read(), None).keys
        assert proves(key, found.spki) is expected


def test_a_request_that_somebody_else_altered() -> None:
    der = openssl("req", "-outform", "DER", given=request())
    found = read_request(der.replace(b"quay1", b"quay2"))
    assert found.common_name == "quay2.northpier.example"
    assert found.signed is False


@pytest.mark.parametrize(
    ("octets", "says"),
    [
        (b"", "is empty"),
        (b"-----BEGIN CERTIFICATE-----\nAAAA\n-----END CERTIFICATE-----\n", "but CERTIFICATE"),
        (b"-----BEGIN CERTIFICATE REQUEST-----\nAAAA\n", "cut off"),
        (b"-----BEGIN CERTIFICATE REQUEST-----\nAA\n-----END CERTIFICATE REQUEST-----\n", "Base64"),
        (b"\x30\x03\x02\x01\x00", "is damaged, or no certificate request"),
        (b"<html>", "web page"),
    ],
)
def test_what_is_no_request_is_said_to_be_none(octets: bytes, says: str) -> None:
    with pytest.raises(RequestError, match=says):
        read_request(octets)


def test_a_certificate_is_no_request() -> None:
    with pytest.raises(RequestError):
        read_request(world().der("leaf"))
