"""PKCS#12 files and keys with published passwords, those of RFC 9879, and the old cipher RC2."""

import base64
import json
import warnings
from pathlib import Path

import cryptography_vectors
import pytest
from cryptography.hazmat.primitives.serialization import Encoding, pkcs12

from probe.certificate.container import Bundle, Trouble, in_order, key_matches, read_bundle
from probe.certificate.container.key import proves
from probe.certificate.container.rc2 import decrypt_block, expand
from probe.certificate.container.request import read_request

VECTORS = Path(cryptography_vectors.__file__).parent
FILES = VECTORS / "pkcs12"
"""cryptography-vectors: passwords stand in that project's own tests."""


def read(path: Path, password: bytes | None) -> Bundle:
    return read_bundle([(path.name, path.read_bytes())], lambda _: password)


PASSWORDS: dict[str, bytes | None] = {
    "cert-key-aes256cbc.p12": b"cryptography",
    "cert-rc2-key-3des.p12": b"cryptography",
    "cert-none-key-none.p12": b"cryptography",
    "cert-aes256cbc-no-key.p12": b"cryptography",
    "no-cert-key-aes256cbc.p12": b"cryptography",
    "java-truststore.p12": None,
    "no-password.p12": None,
} | {path.name: None if "no-pwd" in path.name else b"password" for path in FILES.glob("*name*.p12")}


@pytest.mark.parametrize("name", sorted(PASSWORDS))
def test_a_published_file_holds_what_another_reader_finds(name: str) -> None:
    """cryptography-vectors, pkcs12; compared with the reader of OpenSSL behind `cryptography`."""
    password = PASSWORDS[name]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # of BER, which one of them is
        expected = pkcs12.load_pkcs12((FILES / name).read_bytes(), password)
    certificates = {one.certificate for one in expected.additional_certs}
    if expected.cert is not None:
        certificates.add(expected.cert.certificate)
    bundle = read(FILES / name, password)
    assert bundle.problems == ()
    assert {held.der for held in bundle.certificates} == {
        one.public_bytes(encoding=Encoding.DER) for one in certificates
    }
    assert len(bundle.keys) == (expected.key is not None)
    if expected.cert is not None and bundle.keys:
        leaf = expected.cert.certificate.public_bytes(Encoding.DER)
        assert in_order(bundle)[0].leaf == leaf
        assert key_matches(bundle.keys[0], leaf) is True


@pytest.mark.parametrize("name", sorted(name for name, one in PASSWORDS.items() if one))
def test_another_password_does_not_open_a_published_file(name: str) -> None:
    (problem,) = read(FILES / name, b"wrong").problems
    assert problem.trouble is Trouble.PASSWORD_WRONG
    (problem,) = read(FILES / name, None).problems
    assert problem.trouble is Trouble.PASSWORD_MISSING


def test_the_schemes_of_published_files() -> None:
    """Their names say what they were made with."""
    old = read(FILES / "cert-rc2-key-3des.p12", b"cryptography").containers[0]
    assert old.encryption == ("pbewithSHAAnd40BitRC2-CBC", "pbeWithSHAAnd3-KeyTripleDES-CBC")
    assert old.old == old.encryption
    new = read(FILES / "cert-key-aes256cbc.p12", b"cryptography").containers[0]
    assert new.encryption == ("PBES2 (PBKDF2 with HMAC-SHA-1, AES-256-CBC)",)
    assert (new.old, new.newer) == ((), new.encryption)
    none = read(FILES / "cert-none-key-none.p12", b"cryptography").containers[0]
    assert (none.encryption, none.mac, none.iterations) == ((), "HMAC-SHA-1", 2048)


PKITS = sorted((VECTORS / "x509" / "PKITS_data" / "pkcs12").glob("*.p12"))


def test_every_file_of_pkits_is_read() -> None:
    """NIST PKITS 1.0.1: password "password"; each holds the certificate that is beside it, and its
    key, two of which inherit their DSA parameters from their issuer and cannot sign by themselves.
    """
    assert len(PKITS) == 405
    unread = set()
    for path in PKITS:
        bundle = read(path, b"password")
        certificate = path.parents[1] / "certs" / f"{path.stem}.crt"
        assert certificate.read_bytes() in [held.der for held in bundle.certificates], path.name
        if not bundle.keys or key_matches(bundle.keys[0], certificate.read_bytes()) is not True:
            unread.add(path.stem)
    assert unread <= {"DSAParametersInheritedCACert", "ValidDSAParameterInheritanceTest5EE"}


# ---------------------------------------------------------------- RFC 9879

PBMAC1 = json.loads((Path(__file__).parent / "vectors" / "pbmac1.json").read_text())


def pbmac1(name: str) -> bytes:
    lines = PBMAC1["A.1"]
    if name != "A.1":
        other = PBMAC1[name]
        first = other["first_characters"] + lines[0][len(other["first_characters"]) :]
        lines = [first, *lines[1 : -len(other["last_lines"])], *other["last_lines"]]
    return base64.b64decode("".join(lines))


def test_a_file_sealed_by_pbmac1() -> None:
    """RFC 9879, A.1."""
    bundle = read_bundle([("A.1", pbmac1("A.1"))], lambda _: b"1234")
    assert bundle.problems == ()
    (order,) = in_order(bundle)
    assert order.key is not None
    assert bundle.containers[0].mac == "PBMAC1 (PBKDF2 with HMAC-SHA-256, HMAC-SHA-256)"
    assert "PBMAC1 (PBKDF2 with HMAC-SHA-256, HMAC-SHA-256)" in bundle.containers[0].newer
    (problem,) = read_bundle([("A.1", pbmac1("A.1"))], lambda _: b"1235").problems
    assert problem.trouble is Trouble.PASSWORD_WRONG


@pytest.mark.parametrize("name", ["A.4", "A.5", "A.6"])
def test_a_file_that_is_sealed_wrongly_is_refused(name: str) -> None:
    """RFC 9879, A.4 (iterations), A.5 (salt), A.6 (no length of the key): the password is right."""
    bundle = read_bundle([(name, pbmac1(name))], lambda _: b"1234")
    (problem,) = bundle.problems
    assert problem.trouble is Trouble.DAMAGED
    assert (bundle.certificates, bundle.keys) == ((), ())


# ---------------------------------------------------------------- keys

KEYS = {
    "PKCS8/ec_private_key_encrypted.pem": b"123456",
    "PKCS8/ed25519-scrypt.pem": b"hunter42",
    "PKCS8/enc-ec-sha1-128-rc4.pem": b"password",
    "PKCS8/enc-rsa-3des.pem": b"password",
    "PKCS8/enc-rsa-pkcs8.pem": b"foobar",
    "PKCS8/enc2-rsa-pkcs8.pem": b"baz",
    "PKCS8/rsa-40bitrc2.pem": b"baz",
    "PKCS8/rsa-pbe-3des-long-salt.pem": b"password",
    "PKCS8/rsa-pbewithmd5anddescbc.pem": b"hunter2",
    "PKCS8/rsa-rc2-cbc.pem": b"Red Hat Enterprise Linux 7.4",
    "PKCS8/rsa-aes-192-cbc.pem": b"PolarSSLTest",
    "PKCS8/rsa_pkcs8_pbes2_pbkdf2_2048_3des_sha224.pem": b"PolarSSLTest",
    "PKCS8/rsa_pkcs8_pbes2_pbkdf2_2048_3des_sha384.pem": b"PolarSSLTest",
    "PKCS8/rsa_pkcs8_pbes2_pbkdf2_2048_3des_sha512.pem": b"PolarSSLTest",
    "PEM_Serialization/rsa_private_key.pem": b"123456",
    "Traditional_OpenSSL_Serialization/key2.pem": b"a123456",
    "Traditional_OpenSSL_Serialization/testrsa-encrypted.pem": b"password",
    "DER_Serialization/enc-rsa-pkcs8.der": b"foobar",
    "DER_Serialization/ec_private_key_encrypted.der": b"123456",
}


@pytest.mark.parametrize("name", KEYS)
def test_a_published_key_is_opened_and_works(name: str) -> None:
    """cryptography-vectors, asymmetric."""
    bundle = read(VECTORS / "asymmetric" / name, KEYS[name])
    assert bundle.problems == ()
    (key,) = bundle.keys
    assert proves(key, key.spki) is True


@pytest.mark.parametrize(
    ("name", "trouble"),
    [
        ("PKCS8/enc-rsa-pkcs8-pbkdf2-0iter.pem", Trouble.DAMAGED),
        ("PKCS8/enc-unknown-algorithm.pem", Trouble.UNSUPPORTED),
        ("PKCS8/enc-unknown-kdf.pem", Trouble.UNSUPPORTED),
        ("PKCS8/enc-unknown-pbkdf2-prf.pem", Trouble.UNSUPPORTED),
        ("PKCS8/bad-encryption-oid.pem", Trouble.UNSUPPORTED),
        ("PKCS8/ec-invalid-private-scalar.pem", Trouble.DAMAGED),
        ("Traditional_OpenSSL_Serialization/key1-no-dek-info.pem", Trouble.DAMAGED),
        ("Traditional_OpenSSL_Serialization/key1-malformed-iv.pem", Trouble.DAMAGED),
    ],
)
def test_a_published_bad_key_is_told(name: str, trouble: Trouble) -> None:
    """cryptography-vectors, asymmetric: made to be refused."""
    bundle = read(VECTORS / "asymmetric" / name, b"password")
    assert [problem.trouble for problem in bundle.problems] == [trouble]
    assert bundle.keys == ()


def test_an_rsa_key_that_is_none_proves_nothing() -> None:
    """cryptography-vectors: one of its primes is 2, and it is read without a look at them."""
    bundle = read(VECTORS / "asymmetric" / "PEM_Serialization" / "rsa-bad-1025-q-is-2.pem", None)
    assert all(proves(key, key.spki) is not True for key in bundle.keys)


@pytest.mark.parametrize(
    ("key", "bits", "plain", "cipher"),
    [
        ("0000000000000000", 63, "0000000000000000", "ebb773f993278eff"),
        ("ffffffffffffffff", 64, "ffffffffffffffff", "278b27e42e2f0d49"),
        ("3000000000000000", 64, "1000000000000001", "30649edf9be7d2c2"),
        ("88", 64, "0000000000000000", "61a8a244adacccf0"),
        ("88bca90e90875a", 64, "0000000000000000", "6ccf4308974c267f"),
        ("88bca90e90875a7f0f79c384627bafb2", 64, "0000000000000000", "1a807d272bbe5db1"),
        ("88bca90e90875a7f0f79c384627bafb2", 128, "0000000000000000", "2269552ab0f85ca6"),
        (
            "88bca90e90875a7f0f79c384627bafb216f80a6f85920584c42fceb0be255daf1e",
            129,
            "0000000000000000",
            "5b78d3a43dfff1f1",
        ),
    ],
)
def test_rc2(key: str, bits: int, plain: str, cipher: str) -> None:
    """RFC 2268, section 5."""
    words = expand(bytes.fromhex(key), bits)
    assert decrypt_block(words, bytes.fromhex(cipher)).hex() == plain


# ---------------------------------------------------------------- PKCS#7 and requests


@pytest.mark.parametrize(
    ("name", "count"),
    [("amazon-roots.der", 2), ("amazon-roots.p7b", 2), ("isrg.pem", 1), ("authenticode.der", 1)],
)
def test_published_messages(name: str, count: int) -> None:
    """cryptography-vectors, pkcs7."""
    bundle = read(VECTORS / "pkcs7" / name, None)
    assert (len(bundle.certificates), bundle.problems) == (count, ())


@pytest.mark.parametrize(
    ("name", "key", "signed"),
    [
        ("rsa_sha256.pem", "RSA 2048", True),
        ("ec_sha256.der", "P-384", True),
        ("ec_sha256_old_header.pem", "P-384", True),
        ("dsa_sha1.pem", "DSA 1024", True),
        ("invalid_signature.pem", "RSA 1024", False),
        ("rsa_md4.pem", "RSA 2048", None),
    ],
)
def test_published_requests(name: str, key: str, signed: bool | None) -> None:
    """cryptography-vectors, x509/requests: their names say what is in them."""
    request = read_request((VECTORS / "x509" / "requests" / name).read_bytes())
    assert (request.key, request.signed) == (key, signed)


def test_names_of_a_published_request() -> None:
    """cryptography-vectors, x509/requests."""
    request = read_request((VECTORS / "x509" / "requests" / "san_rsa_sha1.pem").read_bytes())
    assert [name.value for name in request.names] == ["cryptography.io", "sub.cryptography.io"]
