"""PKCS#12 files made by the openssl command in each of its encryptions, whole and spoiled."""

import pytest

from probe.certificate.container import Kind, Trouble, in_order, key_matches, read_bundle
from tests.certificate.makes import PASSWORD, nobody, one, openssl, unasked, world

AES = "PBES2 (PBKDF2 with HMAC-SHA-256, AES-256-CBC)"
RC2_40, DES3 = "pbewithSHAAnd40BitRC2-CBC", "pbeWithSHAAnd3-KeyTripleDES-CBC"

FILES = {
    "": ((AES,), "HMAC-SHA-256", (), (AES, "HMAC-SHA-256")),
    "-legacy": ((RC2_40, DES3), "HMAC-SHA-1", (RC2_40, DES3), ()),
    "-certpbe NONE -keypbe NONE": ((), "HMAC-SHA-256", (), ("HMAC-SHA-256",)),
    "-certpbe NONE -keypbe NONE -nomac": ((), None, (), ()),
    "-nomac -certpbe AES-256-CBC -keypbe AES-256-CBC": ((AES,), None, (), (AES,)),
    "-legacy -certpbe PBE-SHA1-RC4-128 -keypbe PBE-SHA1-RC4-40": (
        ("pbeWithSHAAnd128BitRC4", "pbeWithSHAAnd40BitRC4"),
        "HMAC-SHA-1",
        ("pbeWithSHAAnd128BitRC4", "pbeWithSHAAnd40BitRC4"),
        (),
    ),
    "-legacy -certpbe PBE-SHA1-RC2-128 -keypbe PBE-SHA1-2DES": (
        ("pbeWithSHAAnd128BitRC2-CBC", "pbeWithSHAAnd2-KeyTripleDES-CBC"),
        "HMAC-SHA-1",
        ("pbeWithSHAAnd128BitRC2-CBC", "pbeWithSHAAnd2-KeyTripleDES-CBC"),
        (),
    ),
    "-legacy -certpbe PBE-MD5-DES -keypbe PBE-SHA1-DES": (
        ("pbeWithMD5AndDES-CBC", "pbeWithSHA1AndDES-CBC"),
        "HMAC-SHA-1",
        ("pbeWithMD5AndDES-CBC", "pbeWithSHA1AndDES-CBC"),
        (),
    ),
    "-legacy -certpbe PBE-MD5-RC2-64 -keypbe PBE-SHA1-RC2-64": (
        ("pbeWithMD5AndRC2-CBC", "pbeWithSHA1AndRC2-CBC"),
        "HMAC-SHA-1",
        ("pbeWithMD5AndRC2-CBC", "pbeWithSHA1AndRC2-CBC"),
        (),
    ),
    "-certpbe AES-128-CBC -keypbe DES-EDE3-CBC -macalg sha512": (
        (
            "PBES2 (PBKDF2 with HMAC-SHA-256, AES-128-CBC)",
            "PBES2 (PBKDF2 with HMAC-SHA-256, DES-EDE3-CBC)",
        ),
        "HMAC-SHA-512",
        ("PBES2 (PBKDF2 with HMAC-SHA-256, DES-EDE3-CBC)",),
        ("HMAC-SHA-512", "PBES2 (PBKDF2 with HMAC-SHA-256, AES-128-CBC)"),
    ),
    "-certpbe CAMELLIA-192-CBC -macalg sha384": (
        ("PBES2 (PBKDF2 with HMAC-SHA-256, Camellia-192-CBC)", AES),
        "HMAC-SHA-384",
        (),
        ("HMAC-SHA-384", "PBES2 (PBKDF2 with HMAC-SHA-256, Camellia-192-CBC)", AES),
    ),
    "-legacy -certpbe RC2-CBC -keypbe DES-CBC -macalg md5": (
        (
            "PBES2 (PBKDF2 with HMAC-SHA-256, RC2-CBC)",
            "PBES2 (PBKDF2 with HMAC-SHA-256, DES-CBC)",
        ),
        "HMAC-MD5",
        (
            "HMAC-MD5",
            "PBES2 (PBKDF2 with HMAC-SHA-256, RC2-CBC)",
            "PBES2 (PBKDF2 with HMAC-SHA-256, DES-CBC)",
        ),
        (),
    ),
}
"""Options of openssl-pkcs12 -> schemes, seal, the old and the newer ones among them. The first two
are what OpenSSL 3 writes, and what OpenSSL 1.1 wrote."""


@pytest.mark.parametrize("options", FILES)
def test_every_encryption_of_openssl_is_read(options: str) -> None:
    schemes, mac, old, newer = FILES[options]
    bundle = one(world().pkcs12(*options.split()))
    assert bundle.problems == ()
    assert [held.der for held in bundle.certificates] == [
        world().der(name) for name in ("leaf", "issuing", "root")
    ]
    assert [key.kind for key in bundle.keys] == ["RSA 2048"]
    assert key_matches(bundle.keys[0], world().der("leaf")) is True
    (container,) = bundle.containers
    assert container.kind is Kind.PKCS12
    assert (container.encryption, container.mac) == (schemes, mac)
    assert set(container.old) == set(old)
    assert set(container.newer) == set(newer)


@pytest.mark.parametrize("options", FILES)
def test_a_wrong_password_is_told_from_damage(options: str) -> None:
    octets = world().pkcs12(*options.split())
    protected = FILES[options][:2] != ((), None)
    wrong = one(octets, "Fähre 13")
    assert {problem.trouble for problem in wrong.problems} == (
        {Trouble.PASSWORD_WRONG} if protected else set()
    )
    assert bool(wrong.keys) is not protected
    none = read_bundle([("bundle.p12", octets)], nobody)
    assert {problem.trouble for problem in none.problems} == (
        {Trouble.PASSWORD_MISSING} if protected else set()
    )
    cut = one(octets[: len(octets) * 2 // 3])
    assert [problem.trouble for problem in cut.problems] == [Trouble.DAMAGED]


@pytest.mark.parametrize("options", ["", "-legacy", "-legacy -certpbe PBE-SHA1-RC4-128"])
def test_contents_that_were_altered_are_damage_and_no_wrong_password(options: str) -> None:
    """The first safe has the certificates, so that a third of the file lies in them."""
    octets = bytearray(world().pkcs12(*options.split()))
    octets[len(octets) // 3] ^= 1
    (problem,) = one(bytes(octets)).problems
    assert problem.trouble is Trouble.DAMAGED
    assert "seal (MAC)" in problem.says
    (problem,) = one(bytes(octets), "Fähre 13").problems
    assert problem.trouble is Trouble.PASSWORD_WRONG


def test_nothing_is_asked_for_a_file_that_opens_with_the_empty_password() -> None:
    octets = world().pkcs12("-passout", "pass:")
    bundle = read_bundle([("bundle.p12", octets)], unasked)
    assert bundle.problems == ()
    assert len(bundle.keys) == 1


def test_a_password_is_asked_for_once_a_file_and_by_its_number() -> None:
    asked = []

    def ask(number: int) -> bytes | None:
        asked.append(number)
        return PASSWORD.encode()

    octets = world().pkcs12("-nomac")
    leaf = openssl("x509", "-in", world().path("leaf.pem"))
    bundle = read_bundle([("leaf.pem", leaf), ("a.p12", octets), ("b.p12", octets)], ask)
    assert asked == [1, 2]
    assert bundle.problems == ()
    assert [held.file for held in bundle.certificates] == ["leaf.pem", "a.p12", "a.p12"]


def test_a_key_alone_and_certificates_alone() -> None:
    key = one(world().pkcs12("-nocerts", chain=False))
    assert (len(key.keys), key.certificates, key.problems) == (1, (), ())
    certificates = one(world().pkcs12("-nokeys"))
    assert (certificates.keys, len(certificates.certificates)) == ((), 3)


def test_a_key_under_another_password_than_its_container_is_told() -> None:
    """As Java's stores may have it: the certificates are read."""
    octets = world().pkcs12("-nomac", "-certpbe", "NONE")
    bundle = one(octets, "Fähre 13")
    assert len(bundle.certificates) == 3
    (problem,) = bundle.problems
    assert problem.trouble is Trouble.PASSWORD_WRONG
    assert problem.says.startswith("holds a private key")


@pytest.mark.parametrize(
    ("options", "named"),
    [
        ("-certpbe ARIA-256-CBC -keypbe ARIA-256-CBC", "ARIA-256-CBC"),
        ("-macalg sha3-256", "2.16.840.1.101.3.4.2.8"),
    ],
)
def test_what_is_not_read_here_is_named(options: str, named: str) -> None:
    bundle = one(world().pkcs12(*options.split()))
    assert bundle.keys == ()
    (problem,) = bundle.problems
    assert problem.trouble is Trouble.UNSUPPORTED
    assert named in problem.says
    assert "openssl" in problem.says


def test_iterations_are_counted() -> None:
    assert one(world().pkcs12("-iter", "5000")).containers[0].iterations == 5000


def test_two_servers_certificates_in_one_bundle() -> None:
    both = read_bundle(
        [
            ("leaf.p12", world().pkcs12()),
            ("other.pem", openssl("x509", "-in", world().path("other.pem"))),
            ("other.key", openssl("pkey", "-in", world().path("other.key"))),
        ],
        lambda _: PASSWORD.encode(),
    )
    orders = in_order(both)
    assert [order.leaf for order in orders] == [world().der("leaf"), world().der("other")]
    assert [order.key and order.key.kind for order in orders] == ["RSA 2048", "P-256"]
