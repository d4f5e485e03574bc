"""Files that were spoiled, or made to harm who reads them: bounded, told, and never a traceback.

What holds for each: nothing is raised, no password is shown, and what was altered is not taken for
sound.
"""

import copy
import functools
import pickle
from collections.abc import Callable
from contextlib import suppress

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from probe import limits
from probe.certificate.ber import definite, serialize
from probe.certificate.container import (
    Bundle,
    RequestError,
    Trouble,
    fingerprint_in,
    in_order,
    key_matches,
    read_bundle,
    read_request,
)
from probe.certificate.container.key import proves
from probe.certificate.container.work import ReadError, Work
from probe.certificate.der import DerError
from probe.records import replace
from tests.certificate.makes import PASSWORD, one, openssl, world

EXAMPLES = settings(
    max_examples=200,
    derandomize=True,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)


@functools.cache
def sealed() -> bytes:
    return world().pkcs12("-iter", "1")


@functools.cache
def files() -> dict[str, bytes]:
    """A file of each form; iterations are few, as each is read hundreds of times."""
    made = world()
    key = ("-in", made.path("leaf.key"), "-passout", f"pass:{PASSWORD}")
    return {
        "sealed": sealed(),
        "old": made.pkcs12("-legacy", "-iter", "1"),
        "no seal": made.pkcs12("-nomac", "-iter", "1"),
        "clear": made.pkcs12("-nomac", "-certpbe", "NONE", "-keypbe", "NONE"),
        "PEM": openssl("rsa", "-traditional", "-aes128", *key) + made.der_text("leaf"),
        "PKCS#8": openssl("pkcs8", "-topk8", "-iter", "1", "-outform", "DER", *key),
        "PKCS#7": openssl(
            "crl2pkcs7", "-nocrl", "-certfile", made.path("issuers.pem"), "-outform", "DER"
        ),
        "certificate": made.der("leaf"),
        "key": openssl("pkey", "-in", made.path("other.key"), "-outform", "DER"),
    }


def looked_at(bundle: Bundle) -> None:
    """Do with a bundle what its readers do."""
    orders = in_order(bundle)
    assert all(order.leaf == order.chain[0] for order in orders)
    for key in bundle.keys:
        for held in bundle.certificates:
            key_matches(key, held.der)
    shown = repr(bundle)
    assert PASSWORD not in shown
    assert all(problem.says for problem in bundle.problems)


@EXAMPLES
@given(st.data())
def test_any_file_that_is_cut_off_is_damaged(data: st.DataObject) -> None:
    octets = files()[data.draw(st.sampled_from(sorted(files().keys() - {"PEM"})))]
    cut = data.draw(st.integers(1, len(octets) - 1))
    bundle = one(octets[:cut])
    assert [problem.trouble for problem in bundle.problems] == [Trouble.DAMAGED]
    assert (bundle.certificates, bundle.keys) == ((), ())


@EXAMPLES
@given(st.data())
def test_any_text_that_is_cut_off_is_read_or_told(data: st.DataObject) -> None:
    octets = files()["PEM"]
    bundle = one(octets[: data.draw(st.integers(0, len(octets) - 2))])
    looked_at(bundle)
    assert bundle.problems or not bundle.certificates


@EXAMPLES
@given(st.data())
def test_any_spoiled_file_is_read_or_told(data: st.DataObject) -> None:
    octets = bytearray(files()[data.draw(st.sampled_from(sorted(files())))])
    for _ in range(data.draw(st.integers(1, 3))):
        octets[data.draw(st.integers(0, len(octets) - 1))] = data.draw(st.integers(0, 255))
    password = data.draw(st.sampled_from([PASSWORD, "Fähre 13", "", None]))
    looked_at(one(bytes(octets), password))


@EXAMPLES
@given(st.data())
def test_what_was_altered_under_a_seal_is_never_taken_for_sound(data: st.DataObject) -> None:
    octets = bytearray(sealed())
    place = data.draw(st.integers(0, len(octets) - 1))
    octets[place] ^= data.draw(st.integers(1, 255))
    bundle, sound = one(bytes(octets)), one(sealed())
    assert bundle.problems or (bundle.certificates, [key.spki for key in bundle.keys]) == (
        sound.certificates,
        [key.spki for key in sound.keys],
    )


@EXAMPLES
@given(st.binary(max_size=200))
def test_any_octets_are_read_or_told(octets: bytes) -> None:
    for tried in (octets, b"\x30" + octets, b"-----BEGIN CERTIFICATE-----" + octets):
        looked_at(one(tried))
        fingerprint_in(tried.decode("latin-1"))
        with suppress(RequestError):
            read_request(tried)


@EXAMPLES
@given(st.data())
def test_any_spoiled_request_is_read_or_refused(data: st.DataObject) -> None:
    octets = bytearray(openssl_request())
    octets[data.draw(st.integers(0, len(octets) - 1))] ^= data.draw(st.integers(1, 255))
    sound = read_request(openssl_request())
    with suppress(RequestError):
        request = read_request(bytes(octets))
        # What the algorithm has for parameters is not signed.
        assert request.signed is not True or replace(request, der=sound.der) == sound


@functools.cache
def openssl_request() -> bytes:
    return openssl("req", "-in", world().path("leaf.csr"), "-outform", "DER")


# ---------------------------------------------------------------- bounds

SIXTEEN_BITS, TOO_MANY = b"\x02\x03\x00\xff\xff", b"\x02\x03\x7f\xff\xff"
"""65,535 and 8,388,607 iterations, equally long."""


@pytest.mark.parametrize(
    "options",
    ["", "-nomac", "-nomac -certpbe NONE", "-legacy", "-certpbe NONE -keypbe NONE"],
)
def test_a_file_cannot_ask_for_more_iterations_than_are_made(options: str) -> None:
    octets = world().pkcs12("-iter", "65535", *options.split())
    assert SIXTEEN_BITS in octets
    bundle = one(octets.replace(SIXTEEN_BITS, TOO_MANY))
    (problem,) = bundle.problems
    assert problem.trouble is Trouble.EXCESSIVE
    assert "8388607 iterations" in problem.says
    assert bundle.keys == ()


def test_key_derivations_of_one_file_are_bounded_together() -> None:
    work = Work()
    for _ in range(6):
        work.spend(2_000_000)
    with pytest.raises(ReadError, match="iterations"):
        work.spend(1)


def test_scrypt_cannot_ask_for_more_memory_than_is_given() -> None:
    """RFC 7914, 2: 128 times r times N octets; N is 16384 in what openssl writes."""
    octets = openssl(
        *("pkcs8", "-topk8", "-scrypt", "-in", world().path("leaf.key"), "-outform", "DER"),
        *("-passout", f"pass:{PASSWORD}"),
    )
    assert octets.count(b"\x02\x02\x40\x00\x02\x01\x08\x02\x01\x01") == 1
    swollen = octets.replace(
        b"\x02\x02\x40\x00\x02\x01\x08\x02\x01\x01", b"\x02\x02\x40\x00\x02\x01\x7f\x02\x01\x01"
    )
    (problem,) = one(swollen).problems
    assert problem.trouble is Trouble.EXCESSIVE


def test_a_file_larger_than_any_is_not_read() -> None:
    (problem,) = one(world().der("leaf") + bytes(limits.BUNDLE_BYTES)).problems
    assert problem.trouble is Trouble.EXCESSIVE


def test_more_certificates_than_any_file_has() -> None:
    der = world().der("leaf")
    many = [der[:-2] + number.to_bytes(2, "big") for number in range(600)]
    message = signed_data(b"".join(many))
    bundle = one(message)
    assert [problem.trouble for problem in bundle.problems] == [Trouble.EXCESSIVE]
    assert len(bundle.certificates) <= limits.BUNDLE_CERTIFICATES + 1
    sound = one(signed_data(b"".join(many[:300])))
    assert (len(sound.certificates), sound.problems) == (300, ())


def signed_data(certificates: bytes) -> bytes:
    """RFC 5652, 5.1, without signers."""
    oid = bytes.fromhex
    signed = (
        b"\x02\x01\x01\x31\x00"
        + serialize(0x30, oid("06092a864886f70d010701"))
        + serialize(0xA0, certificates)
        + b"\x31\x00"
    )
    return serialize(0x30, oid("06092a864886f70d010702") + serialize(0xA0, serialize(0x30, signed)))


def test_elements_within_each_other_are_bounded() -> None:
    for nested in (b"\x30\x80" * 10_000, b"\x24\x80" * 10_000):
        (problem,) = one(b"\x30\x80" + nested).problems
        assert problem.trouble is Trouble.DAMAGED
    with pytest.raises(DerError, match="elements"):
        definite(serialize(0x30, b"\x05\x00" * 200_000))


def test_a_private_key_larger_than_any_is_not_loaded() -> None:
    key = serialize(0x30, b"\x02\x01\x00" + serialize(0x02, b"\x7f" * 20_000) + b"\x02\x01\x03")
    (problem,) = one(key).problems
    assert problem.trouble is Trouble.EXCESSIVE


def rsa_key(modulus: int, other: int) -> bytes:
    """RSAPrivateKey (RFC 8017, A.1.2), which is none: parts of that many bits."""
    numbers = [0, 1 << modulus - 1 | 1, 65537, *[1 << other - 1 | 1] * 6]
    octets = [number.to_bytes(number.bit_length() // 8 + 1, "big") for number in numbers]
    return serialize(0x30, b"".join(serialize(0x02, one) for one in octets))


@pytest.mark.parametrize(("modulus", "other"), [(10_000, 5_000), (2_048, 10_000)])
def test_an_rsa_key_that_would_sign_for_minutes_is_not_asked_to(modulus: int, other: int) -> None:
    bundle = one(rsa_key(modulus, other))
    (problem,) = bundle.problems
    assert problem.trouble is Trouble.EXCESSIVE
    assert bundle.keys == ()


def test_a_key_of_nonsense_proves_nothing() -> None:
    bundle = one(rsa_key(2_048, 1_024))
    assert all(proves(key, key.spki) is not True for key in bundle.keys)


def test_an_old_cipher_is_not_asked_for_megabytes() -> None:
    """A PFX with one safe of RC2 (RFC 7292, C) and no seal."""
    identifier, data, encrypted = (
        bytes.fromhex(text)
        for text in ("060a2a864886f70d010c0106", "06092a864886f70d010701", "06092a864886f70d010706")
    )
    scheme = serialize(0x30, identifier + serialize(0x30, b"\x04\x08saltsalt\x02\x01\x01"))
    info = serialize(0x30, data + scheme + serialize(0x80, bytes(1_000_000)))
    safe = encrypted + serialize(0xA0, serialize(0x30, b"\x02\x01\x00" + info))
    safes = serialize(0x30, serialize(0x30, safe))
    contents = serialize(0x30, data + serialize(0xA0, serialize(0x04, safes)))
    (problem,) = one(serialize(0x30, b"\x02\x01\x03" + contents)).problems
    assert problem.trouble is Trouble.EXCESSIVE
    assert "RC2" in problem.says


# ---------------------------------------------------------------- BER


def in_pieces(element: bytes) -> bytes:
    """Return an element with indefinite lengths wherever they may be (X.690, 8.1.3.6)."""
    tag = element[0]
    if not tag & 0x20:
        return element
    at = 2 if element[1] < 0x80 else 2 + (element[1] & 0x7F)
    parts = []
    while at < len(element):
        _, end = definite(element[at:])
        parts.append(in_pieces(element[at : at + end]))
        at += end
    return bytes((tag, 0x80)) + b"".join(parts) + b"\0\0"


@pytest.mark.parametrize("options", ["", "-legacy", "-nomac"])
def test_a_file_in_ber_reads_like_its_twin_in_der(options: str) -> None:
    """Browsers and Java wrote such files for years. openssl reads what is made here, too."""
    octets = world().pkcs12(*options.split())
    ber = in_pieces(octets)
    assert ber != octets
    found, expected = one(ber), one(octets)
    assert found.problems == ()
    assert found.certificates == expected.certificates
    assert [key.spki for key in found.keys] == [key.spki for key in expected.keys]
    openssl("pkcs12", "-noout", "-legacy", "-passin", f"pass:{PASSWORD}", given=ber)


def test_octet_strings_in_pieces_are_put_together() -> None:
    """X.690, 8.7.3.2: a string is what its pieces are one behind the other."""
    pieces = bytes.fromhex("2480 0403616263 24800401640000 04020506 0000")
    assert definite(bytes.fromhex("3080") + pieces + bytes(2)) == (
        bytes.fromhex("3008 0406 616263640506"),
        len(pieces) + 4,
    )


# ---------------------------------------------------------------- secrets


def test_neither_password_nor_key_is_shown() -> None:
    octets = world().pkcs12()
    for password in (PASSWORD, "Fähre 13"):
        bundle = one(octets, password)
        assert password not in repr(bundle)
        for key in bundle.keys:
            assert repr(key) == str(key) == f"{key}" == "PrivateKey(hidden)"


def test_a_key_is_not_pickled() -> None:
    (key,) = one(world().pkcs12()).keys
    for act in (pickle.dumps, copy.deepcopy):
        refused: Callable[[object], object] = act
        with pytest.raises(TypeError, match="not pickled"):
            refused(key)


def test_reading_several_files_goes_on_after_a_bad_one() -> None:
    bundle = read_bundle(
        [("a.p12", sealed()[:100]), ("b.p12", sealed())], lambda _: PASSWORD.encode()
    )
    assert [problem.file for problem in bundle.problems] == ["a.p12"]
    assert [container.file for container in bundle.containers] == ["a.p12", "b.p12"]
    assert len(bundle.keys) == 1
