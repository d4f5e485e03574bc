"""PEM, DER and PKCS#7 files as they are met, made by the openssl command; and what is no bundle."""

import pytest

from probe.certificate.container import Kind, Trouble, in_order, key_matches, read_bundle
from tests.certificate.makes import PASSWORD, nobody, one, openssl, unasked, world


def pem(name: str) -> bytes:
    with open(world().path(name), "rb") as file:
        return file.read()


def test_key_and_chain_in_any_order_with_text_between() -> None:
    octets = b"Northpier Ferries\n" + pem("root.pem") + pem("leaf.key") + b"\n# the server's\n"
    bundle = one(octets + pem("leaf.pem") + pem("issuing.pem") + pem("root.pem"), None)
    assert bundle.problems == ()
    assert [held.der for held in bundle.certificates] == [
        world().der(name) for name in ("root", "leaf", "issuing")
    ]
    (order,) = in_order(bundle)
    assert order.chain == tuple(world().der(name) for name in ("leaf", "issuing", "root"))
    assert order.key is bundle.keys[0]
    assert bundle.containers[0].kind is Kind.PEM


@pytest.mark.parametrize(
    "turned",
    [
        lambda text: text.replace(b"\n", b"\r\n"),
        lambda text: text.replace(b"\n", b"\r"),
        lambda text: b"\xef\xbb\xbf" + text,
        lambda text: b"\xff\xfe" + text.decode().encode("utf-16-le"),
        lambda text: text.rstrip(b"\n"),
    ],
    ids=["windows", "old macs", "byte order mark", "UTF-16", "no last line end"],
)
def test_text_as_other_systems_write_it(turned: object) -> None:
    bundle = one(turned(pem("leaf.pem") + pem("leaf.key")), None)  # type: ignore[operator]
    assert bundle.problems == ()
    assert (len(bundle.certificates), len(bundle.keys)) == (1, 1)


@pytest.mark.parametrize(
    ("arguments", "scheme", "old"),
    [
        (["pkcs8", "-topk8"], "PBES2 (PBKDF2 with HMAC-SHA-256, AES-256-CBC)", False),
        (["pkcs8", "-topk8", "-scrypt"], "PBES2 (scrypt, AES-256-CBC)", False),
        (["pkcs8", "-topk8", "-v1", "PBE-SHA1-3DES"], "pbeWithSHAAnd3-KeyTripleDES-CBC", True),
        (["rsa", "-aes128"], "PEM encryption (AES-128-CBC)", True),
        (["rsa", "-des3"], "PEM encryption (DES-EDE3-CBC)", True),
    ],
    ids=["PBES2", "scrypt", "PBES1", "traditional", "traditional DES"],
)
def test_an_encrypted_key(arguments: list[str], scheme: str, old: bool) -> None:
    traditional = ["-traditional"] if arguments[0] == "rsa" else []
    octets = openssl(
        *arguments, *traditional, "-in", world().path("leaf.key"), "-passout", f"pass:{PASSWORD}"
    )
    bundle = one(octets)
    assert bundle.problems == ()
    assert key_matches(bundle.keys[0], world().der("leaf")) is True
    (container,) = bundle.containers
    assert container.encryption == (scheme,)
    assert container.old == ((scheme,) if old else ())
    (problem,) = one(octets, "Fähre 13").problems
    assert problem.trouble is Trouble.PASSWORD_WRONG
    (problem,) = one(octets, None).problems
    assert problem.trouble is Trouble.PASSWORD_MISSING


def test_an_encrypted_key_hides_no_certificate() -> None:
    key = openssl(
        "rsa",
        "-aes128",
        "-traditional",
        "-in",
        world().path("leaf.key"),
        "-passout",
        f"pass:{PASSWORD}",
    )
    bundle = read_bundle([("server.pem", key + pem("leaf.pem"))], nobody)
    assert len(bundle.certificates) == 1
    assert [problem.trouble for problem in bundle.problems] == [Trouble.PASSWORD_MISSING]


@pytest.mark.parametrize(
    ("arguments", "kind"),
    [
        (["x509", "-in", "leaf.pem", "-outform", "DER"], Kind.DER),
        (["pkey", "-in", "leaf.key", "-outform", "DER"], Kind.DER),
        (["rsa", "-traditional", "-in", "leaf.key", "-outform", "DER"], Kind.DER),
        (["ec", "-in", "other.key", "-outform", "DER"], Kind.DER),
        (["x509", "-in", "leaf.pem", "-trustout"], Kind.PEM),
        (["crl2pkcs7", "-nocrl", "-certfile", "leaf.pem"], Kind.PEM),
        (["crl2pkcs7", "-nocrl", "-certfile", "leaf.pem", "-outform", "DER"], Kind.PKCS7),
    ],
    ids=lambda value: " ".join(value[:4]) if isinstance(value, list) else value.value,
)
def test_one_thing_in_each_form(arguments: list[str], kind: Kind) -> None:
    names = [world().path(one) if "." in one else one for one in arguments]
    bundle = read_bundle([("thing", openssl(*names))], unasked)
    assert bundle.problems == ()
    assert bundle.containers[0].kind is kind
    assert len(bundle.certificates) + len(bundle.keys) == 1
    for held in bundle.certificates:
        assert held.der == world().der("leaf")


def test_a_chain_as_a_message() -> None:
    octets = openssl("crl2pkcs7", "-nocrl", "-certfile", world().path("issuers.pem"))
    bundle = one(octets, None)
    assert {held.der for held in bundle.certificates} == {
        world().der(name) for name in ("issuing", "root")
    }


def test_an_encrypted_key_in_der() -> None:
    octets = openssl(
        *("pkcs8", "-topk8", "-in", world().path("other.key"), "-outform", "DER"),
        *("-passout", f"pass:{PASSWORD}"),
    )
    assert [key.kind for key in one(octets).keys] == ["P-256"]


NONE = {
    b"": "is empty",
    b" \r\n": "is empty",
    b"<!DOCTYPE html><html></html>": "web page",
    b"PK\x03\x04" + bytes(30): "ZIP",
    bytes.fromhex("feedfeed00000002") + bytes(30): "keytool",
    b"the password is on the note": "neither PEM nor DER",
    b"-----BEGIN PUBLIC KEY-----\nAAAA\n-----END PUBLIC KEY-----\n": "PUBLIC KEY",
    bytes.fromhex("3003020101"): "",
}


@pytest.mark.parametrize("octets", NONE, ids=lambda octets: repr(octets[:12]))
def test_what_is_no_bundle_is_said_to_be_none(octets: bytes) -> None:
    bundle = read_bundle([("thing", octets)], unasked)
    (problem,) = bundle.problems
    assert (bundle.certificates, bundle.keys) == ((), ())
    assert problem.trouble in (Trouble.NOT_A_BUNDLE, Trouble.DAMAGED)
    assert NONE[octets] in problem.says


def test_a_request_is_no_bundle_and_is_called_one() -> None:
    request = world().path("leaf.csr")
    for form in ("PEM", "DER"):
        octets = openssl("req", "-in", request, "-outform", form)
        (problem,) = read_bundle([("leaf.csr", octets)], unasked).problems
        assert problem.trouble is Trouble.NOT_A_BUNDLE
        assert "certificate request" in problem.says


def test_a_block_that_is_cut_off_hides_no_other() -> None:
    octets = pem("leaf.pem") + pem("issuing.pem")[:-40]
    bundle = one(octets, None)
    assert [held.der for held in bundle.certificates] == [world().der("leaf")]
    (problem,) = bundle.problems
    assert problem.trouble is Trouble.DAMAGED
    assert "cut off" in problem.says


def test_what_follows_a_file_of_der_is_told_and_hides_nothing() -> None:
    bundle = read_bundle([("leaf.der", world().der("leaf") + b"junk")], unasked)
    assert len(bundle.certificates) == 1
    (problem,) = bundle.problems
    assert "4 octets" in problem.says
    assert read_bundle([("leaf.der", world().der("leaf") + b"\n")], unasked).problems == ()
