"""Which certificate is the server's, what follows it, and whether a key is its own."""

import pytest
from cryptography.hazmat.primitives.asymmetric import ec, ed448, ed25519, rsa, x25519
from cryptography.hazmat.primitives.serialization import (
    Encoding,
    NoEncryption,
    PrivateFormat,
    PublicFormat,
)

from probe.certificate.ber import serialize
from probe.certificate.container import Bundle, PrivateKey, beside, in_order, key_matches
from probe.certificate.container.key import proves
from tests.certificate.makes import one, openssl, world


def pem(*names: str) -> Bundle:
    found = []
    for name in names:
        with open(world().path(name), "rb") as file:
            found.append(file.read())
    return one(b"".join(found), None)


def ders(*names: str) -> tuple[bytes, ...]:
    return tuple(world().der(name) for name in names)


def test_the_order_does_not_follow_the_file() -> None:
    for names in (("root.pem", "issuing.pem", "leaf.pem"), ("issuing.pem", "leaf.pem", "root.pem")):
        (order,) = in_order(pem(*names))
        assert order.chain == ders("leaf", "issuing", "root")
        assert order.key is None


def test_what_is_not_there_ends_the_chain() -> None:
    (order,) = in_order(pem("root.pem", "leaf.pem"))
    assert order.chain == ders("leaf")
    assert beside(pem("root.pem", "leaf.pem"), [order]) == ders("root")


def test_the_certificate_whose_key_is_there_comes_first() -> None:
    first, second = in_order(pem("other.pem", "leaf.pem", "issuing.pem", "leaf.key"))
    assert (first.leaf, second.leaf) == ders("leaf", "other")
    assert (first.key is not None, second.key) == (True, None)


def test_a_key_of_another_certificate_is_nobodys() -> None:
    bundle = pem("leaf.pem", "other.key")
    (order,) = in_order(bundle)
    assert order.key is None
    assert key_matches(bundle.keys[0], world().der("leaf")) is False
    assert key_matches(bundle.keys[0], world().der("other")) is True
    assert key_matches(bundle.keys[0], b"no certificate") is None


def test_authorities_alone_have_the_last_one_for_a_leaf() -> None:
    (order,) = in_order(pem("root.pem", "issuing.pem"))
    assert order.chain == ders("issuing", "root")


def test_an_authoritys_own_key_makes_it_a_leaf() -> None:
    """Somebody who exported the CA by mistake is to be told which certificate his key is for."""
    first, second = in_order(pem("leaf.pem", "issuing.pem", "issuing.key"))
    assert (first.leaf, second.leaf) == ders("issuing", "leaf")


def test_a_certificate_of_itself() -> None:
    octets = openssl(
        *("req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes"),
        *("-keyout", world().path("alone.key"), "-subj", "/CN=quay1.northpier.example"),
        *("-addext", "basicConstraints=critical,CA:false"),
    )
    (order,) = in_order(one(octets, None))
    assert len(order.chain) == 1


def test_nothing_has_no_order() -> None:
    assert in_order(pem("leaf.key")) == ()
    assert in_order(one(serialize(0x30, b""), None)) == ()


def held(key: object) -> PrivateKey:
    octets = key.private_bytes(  # type: ignore[attr-defined]  # each kind has it
        Encoding.DER, PrivateFormat.PKCS8, NoEncryption()
    )
    (found,) = one(octets, None).keys
    return found


KINDS = {
    "RSA 2048": lambda: rsa.generate_private_key(65537, 2048),
    "P-256": lambda: ec.generate_private_key(ec.SECP256R1()),
    "P-384": lambda: ec.generate_private_key(ec.SECP384R1()),
    "Ed25519": ed25519.Ed25519PrivateKey.generate,
    "Ed448": ed448.Ed448PrivateKey.generate,
}


@pytest.mark.parametrize("kind", KINDS)
def test_a_key_proves_itself_by_signing(kind: str) -> None:
    key, twin = KINDS[kind](), KINDS[kind]()
    assert held(key).kind == kind
    for other, expected in ((key, True), (twin, False)):
        spki = other.public_key().public_bytes(Encoding.DER, PublicFormat.SubjectPublicKeyInfo)
        assert proves(held(key), spki) is expected


def test_a_key_that_does_not_sign_cannot_be_told() -> None:
    key = x25519.X25519PrivateKey.generate()
    spki = key.public_key().public_bytes(Encoding.DER, PublicFormat.SubjectPublicKeyInfo)
    assert proves(held(key), spki) is None


def test_a_public_part_alone_proves_nothing() -> None:
    """A file may give any public key beside its private one: here the leaf's modulus, with an
    exponent that is not its own. Compared as numbers both would be equal."""
    text = openssl("rsa", "-in", world().path("leaf.key"), "-noout", "-modulus").decode()
    modulus = bytes.fromhex("00" + text.strip().partition("=")[2])
    one_more = serialize(0x02, b"\x03")
    fields = [b"\x02\x01\x00", serialize(0x02, modulus), b"\x02\x03\x01\x00\x01", *[one_more] * 6]
    bundle = one(serialize(0x30, b"".join(fields)), None)
    assert all(key_matches(key, world().der("leaf")) is False for key in bundle.keys)
    assert bundle.keys or bundle.problems
