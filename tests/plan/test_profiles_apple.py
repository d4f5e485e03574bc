"""Apple configuration profiles: what they expect, bare and signed; hostile ones."""

import plistlib
from collections.abc import Callable
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import pkcs7

from probe.plan.model import Demand, Expects, Matching
from probe.plan.problems import Refused
from probe.plan.profiles import read_profile
from tests.plan.conftest import make_certificate
from tests.plan.profiles import RADIUS, SECRETS, apple

DER = serialization.Encoding.DER


@pytest.fixture(scope="module")
def root() -> bytes:
    return make_certificate("Northpier Root").public_bytes(DER)


def expects(folder: Path, octets: bytes) -> tuple[Expects, ...]:
    path = folder / "staff.mobileconfig"
    path.write_bytes(octets)
    found = read_profile(path, path.name, "apple-eap")
    assert not [secret for secret in SECRETS if secret in repr(found)]
    return found


def refused(folder: Path, octets: bytes) -> str:
    with pytest.raises(Refused) as caught:
        expects(folder, octets)
    told: BaseException | None = caught.value
    assert told is not None
    says = f"{caught.value.says} {caught.value.allowed}"
    while told is not None:  # neither the message nor what is behind it repeats a secret
        assert not [secret for secret in SECRETS if secret in repr(told) + str(told)]
        told = told.__cause__ or told.__context__
    assert says.startswith("staff.mobileconfig: the file ")
    return says


def demands(*names: str) -> tuple[Demand, ...]:
    return (Demand("TLSTrustedServerNames", tuple((n, Matching.NAME) for n in names)),)


def test_anchors_names_and_network_are_taken(tmp_path: Path, root: bytes) -> None:
    """Given anchors or names switch the certificate dialogue off (Apple's schema, wifi.managed)."""
    assert expects(tmp_path, apple(root, names=(RADIUS, "wpa.*.northpier.example"))) == (
        Expects(
            demands=demands(RADIUS, "wpa.*.northpier.example"),
            anchor_key="PayloadCertificateAnchorUUID",
            anchors=(root,),
            prompts=False,
            ssids=("Northpier",),
        ),
    )


@pytest.mark.parametrize(
    ("anchors", "names", "more", "prompts"),
    [
        (None, (), "", False),
        ("", (RADIUS,), "", False),
        ("", (), "", True),
        (None, (RADIUS,), "<key>TLSAllowTrustExceptions</key><true/>", True),
        ("", (), "<key>TLSAllowTrustExceptions</key><false/>", False),
    ],
)
def test_when_the_user_is_asked(
    tmp_path: Path,
    root: bytes,
    anchors: str | None,
    names: tuple[str, ...],
    more: str,
    prompts: bool,
) -> None:
    """Apple's schema, wifi.managed: the anchors' and the names' keys, TLSAllowTrustExceptions."""
    (found,) = expects(tmp_path, apple(root, anchors=anchors, names=names, more=more))
    assert found.prompts is prompts


@pytest.mark.parametrize(
    "kind", ["com.apple.firstactiveethernet.managed", "com.apple.globalethernet.managed"]
)
def test_wired_networks_are_read_too(tmp_path: Path, root: bytes, kind: str) -> None:
    (found,) = expects(tmp_path, apple(root, kind=kind))
    assert found.anchors == (root,)


def test_what_was_signed_is_read_whoever_signed_it(tmp_path: Path, root: bytes) -> None:
    """CMS signed data (RFC 5652) as another library writes it."""
    plain = apple(root)
    key = ec.generate_private_key(ec.SECP256R1())
    builder = pkcs7.PKCS7SignatureBuilder().set_data(plain)
    signer = _certificate_of(key)
    signed = builder.add_signer(signer, key, hashes.SHA256()).sign(DER, [pkcs7.PKCS7Options.Binary])
    assert signed[:1] == b"\x30"
    assert expects(tmp_path, signed) == expects(tmp_path, plain)


def _certificate_of(key: ec.EllipticCurvePrivateKey) -> x509.Certificate:
    made = make_certificate("Somebody")
    return (
        x509.CertificateBuilder()
        .subject_name(made.subject)
        .issuer_name(made.subject)
        .public_key(key.public_key())
        .serial_number(7)
        .not_valid_before(made.not_valid_before_utc)
        .not_valid_after(made.not_valid_after_utc)
        .sign(key, hashes.SHA256())
    )


def streamed(content: bytes) -> bytes:
    """Signed data with indefinite lengths and the content in pieces (X.690, 8.1.3.6, 8.7.3)."""
    half = len(content) // 2
    pieces = b"".join(
        b"\x04\x82" + len(piece).to_bytes(2, "big") + piece
        for piece in (content[:half], content[half:])
    )
    oid = bytes.fromhex("06092a864886f70d0107")
    encapsulated = b"\x30\x80" + oid + b"\x01\xa0\x80\x24\x80" + pieces + bytes(6)
    signed = b"\x30\x80\x02\x01\x01\x31\x80" + bytes(2) + encapsulated + b"\x31\x00" + bytes(2)
    return b"\x30\x80" + oid + b"\x02\xa0\x80" + signed + bytes(4)


def test_signed_data_may_be_in_pieces(tmp_path: Path, root: bytes) -> None:
    assert expects(tmp_path, streamed(apple(root))) == expects(tmp_path, apple(root))


def test_signed_data_cut_anywhere_is_one_problem(tmp_path: Path, root: bytes) -> None:
    whole = streamed(apple(root))
    for length in [*range(1, 60), len(whole) // 2]:
        assert "is no " in refused(tmp_path, whole[:length])


BOMB = b"""<?xml version="1.0"?>
<!DOCTYPE plist [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;&a;&a;">]>
<plist version="1.0"><dict><key>PayloadContent</key><string>&b;</string></dict></plist>"""
OUTSIDE = b"""<?xml version="1.0"?>
<!DOCTYPE plist [<!ENTITY a SYSTEM "file:///etc/hostname">]>
<plist version="1.0"><dict><key>PayloadContent</key><string>&a;</string></dict></plist>"""


@pytest.mark.parametrize(
    ("break_it", "says"),
    [
        (lambda _: b"", "no property list"),
        (lambda _: b"hello", "no property list"),
        (lambda _: BOMB, "no property list"),
        (lambda _: OUTSIDE, "no property list"),
        (lambda _: b'<plist version="1.0"><array/></plist>', "no configuration profile"),
        (lambda _: plistlib.dumps({}, fmt=plistlib.FMT_BINARY), "plutil -convert xml1"),
        (lambda root: apple(root)[:-40], "no property list"),
        (lambda root: apple(root, more="<key>x</key><date>soon</date>"), "no property list"),
        (lambda root: apple(root, more="<key>x</key><integer>x</integer>"), "no property list"),
        (
            lambda root: apple(root, head="<key>EncryptedPayloadContent</key><data></data>"),
            "is encrypted",
        ),
        (lambda root: apple(root, types="<integer>18</integer>"), "no 802.1X network"),
        (lambda root: apple(root, kind="com.apple.mail.managed"), "no 802.1X network"),
        (lambda root: apple(root, anchors="<string>somewhere</string>"), "that is not in it"),
        (lambda _: apple(b"\x30\x03no!"), "certificate that cannot be read"),
        (lambda root: apple(root, names=("x" * 300,)), "more than 256 characters"),
        (lambda root: apple(root, names=(RADIUS,) * 300), "more than 256 entries"),
        (lambda _: b"<!--" + b"x" * 4_194_304, "is larger than"),
    ],
)
def test_a_file_that_cannot_be_used_is_one_problem(
    tmp_path: Path, root: bytes, break_it: Callable[[bytes], bytes], says: str
) -> None:
    path = tmp_path / "staff.mobileconfig"
    path.write_bytes(break_it(root))
    with pytest.raises(Refused) as caught:
        read_profile(path, path.name, "apple-eap")
    assert says in f"{caught.value.says} {caught.value.allowed}"
    assert not [secret for secret in SECRETS if secret in f"{caught.value.says}"]
