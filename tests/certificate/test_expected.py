"""What is expected after an import: a bundle, or a fingerprint as programs show it."""

import pytest

from probe.certificate.container import Expected, ExpectedError, fingerprint_in, read_expected
from tests.certificate.makes import PASSWORD, nobody, openssl, unasked, world


def shown(algorithm: str) -> str:
    """Return the line of openssl-x509, such as "sha256 Fingerprint=AB:CD:..."."""
    return openssl(
        "x509", "-in", world().path("leaf.pem"), "-noout", "-fingerprint", f"-{algorithm}"
    ).decode()


@pytest.mark.parametrize(("algorithm", "digits"), [("sha256", 64), ("sha1", 40)])
def test_a_fingerprint_in_any_spacing(algorithm: str, digits: int) -> None:
    line = shown(algorithm)
    pairs = line.strip().partition("=")[2].split(":")
    plain = "".join(pairs).lower()
    assert len(plain) == digits
    for written in (
        line,
        ":".join(pairs),
        " ".join(pairs).lower(),
        "-".join(pairs),
        "\u200e" + "".join(pairs),  # as windows copy it, with an unseen mark in front
        "\n".join(pairs),
        f"SHA-{algorithm[3:]}: {plain}",
        f"Fingerprint: {plain}",
        f"thumbprint {plain}",
        plain + "\r\n",
    ):
        assert fingerprint_in(written) == plain, written
    (expected,) = read_expected([("leaf.txt", line.encode())], unasked)
    assert expected == Expected((), plain)
    assert expected.is_leaf(world().der("leaf")) is True
    assert expected.is_leaf(world().der("other")) is False
    assert expected.leaf is None


@pytest.mark.parametrize(
    "text",
    ["", "leaf.p12", "ab" * 16, "ab" * 31, "ab" * 33, "ab" * 300, "xy" * 32, "sha256", "MD5 " * 9],
)
def test_other_texts_are_none(text: str) -> None:
    assert fingerprint_in(text) is None


def test_digits_that_look_like_the_name_of_a_hash_are_digits() -> None:
    """ "fade" begins like no prefix, and a SHA-1 fingerprint may begin with anything."""
    digits = "fade" * 10
    assert fingerprint_in(digits) == digits


def test_a_bundle_is_expected_with_its_chain() -> None:
    chain = tuple(world().der(name) for name in ("leaf", "issuing", "root"))
    for octets in (world().pkcs12(), world().der_text("leaf") + world().der_text("issuing")):
        (expected,) = read_expected([("new.p12", octets)], lambda _: PASSWORD.encode())
        assert expected.certificates == chain[: len(expected.certificates)]
        assert len(expected.certificates) >= 2
        assert expected.is_leaf(chain[0]) is True
        assert expected.is_leaf(chain[1]) is False


def test_the_certificate_with_its_key_is_meant() -> None:
    with open(world().path("other.key"), "rb") as file:
        octets = world().der_text("leaf") + world().der_text("other") + file.read()
    (expected,) = read_expected([("new.pem", octets)], nobody)
    assert expected.leaf == world().der("other")


def test_certificates_of_both_key_families_are_two() -> None:
    octets = world().der_text("leaf") + world().der_text("other")
    found = read_expected([("new.pem", octets)], nobody)
    assert [one.leaf for one in found] == [world().der("leaf"), world().der("other")]


def test_nothing_to_expect_is_one_sentence() -> None:
    for octets, says in (
        (world().pkcs12(), "new is protected by a password, and none was given"),
        (b"", "new is empty"),
        (b"<html>", "new is a web page"),
    ):
        with pytest.raises(ExpectedError, match=says):
            read_expected([("new", octets)], nobody)
    with pytest.raises(ExpectedError, match="no file"):
        read_expected([], nobody)


def test_fingerprints_and_bundles_together() -> None:
    """The password asked for is that of the file's own number."""
    asked = []

    def ask(number: int) -> bytes | None:
        asked.append(number)
        return PASSWORD.encode()

    files = [
        ("old.txt", shown("sha1").encode()),
        ("new.p12", world().pkcs12()),
        ("older.txt", shown("sha256").encode()),
    ]
    first, second, third = read_expected(files, ask)
    assert asked == [1]
    assert [len(one.fingerprint or "") for one in (first, second)] == [40, 64]
    assert third.leaf == world().der("leaf")


def test_a_file_that_cannot_be_read_is_told_though_another_one_can() -> None:
    """Else the chain would be expected without what is in it."""
    files = [
        ("leaf.pem", world().der_text("leaf")),
        ("chain.pem", world().der_text("issuing")[:99]),
    ]
    with pytest.raises(ExpectedError, match=r"chain\.pem is damaged"):
        read_expected(files, nobody)


def test_a_key_whose_password_nobody_has_is_not_needed() -> None:
    key = openssl(
        *("rsa", "-aes128", "-traditional", "-in", world().path("leaf.key")),
        *("-passout", f"pass:{PASSWORD}"),
    )
    (expected,) = read_expected([("new.pem", key + world().der_text("leaf"))], nobody)
    assert expected.leaf == world().der("leaf")
