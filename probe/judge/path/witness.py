"""Two engines that share no code with the examination, asked about a chain as it was served.

OpenSSL walks from the leaf towards a root and takes, of several issuers of one name, the first
that is served: so do the many clients built on it, and for them the order counts. The verifier of
`cryptography` tries every path, and holds certificates to the profile of the public web. Both stop
at the first error, and so their answer is one reason; whether it fits is for `reconcile.py`.

Nothing here reads a clock or a file: the time is set, and no engine is left to its defaults.
"""

import warnings
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from functools import lru_cache
from ipaddress import ip_address

import cryptography
from cryptography import x509
from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives.serialization import Encoding
from cryptography.x509.verification import PolicyBuilder, Store, VerificationError
from OpenSSL.crypto import (
    FILETYPE_ASN1,
    X509,
    Error,
    X509Store,
    X509StoreContext,
    X509StoreContextError,
    X509StoreFlags,
    dump_certificate,
    load_certificate,
)
from OpenSSL.SSL import OPENSSL_VERSION as _VERSION
from OpenSSL.SSL import OpenSSL_version

from probe.certificate.extensions import (
    AUTHORITY_ACCESS,
    AUTHORITY_KEY_ID,
    BASIC_CONSTRAINTS,
    CERTIFICATE_POLICIES,
    CRL_DISTRIBUTION_POINTS,
    EXTENDED_KEY_USAGE,
    KEY_USAGE,
    SUBJECT_KEY_ID,
)
from probe.certificate.facts import CertFacts, facts_of
from probe.certificate.naming import is_folded
from probe.certificate.strict import read_strictly
from probe.certificate.structure import outline
from probe.judge.path.model import Testimony
from probe.judge.trust import AnchorSet
from probe.observation.model import fingerprint
from probe.records import dataclass

OPENSSL = "OpenSSL"
OPENSSL_VERSION = OpenSSL_version(_VERSION).split()[1].decode()
LIBRARY = "cryptography"
LIBRARY_VERSION = cryptography.__version__

_GAVE_UP = (1, 17)
"""X509_V_ERR_UNSPECIFIED, X509_V_ERR_OUT_OF_MEM: it cannot work with what is in a certificate, or
the work is more than it does."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What one engine says."""

    verdict: Testimony
    says: str
    code: int | None = None
    """OpenSSL: X509_V_ERR_*."""
    depth: int | None = None
    """OpenSSL: where on the path that it took; 0 is the leaf."""
    certificate: str | None = None
    """OpenSSL: SHA-256 of the certificate at fault."""


_ACCEPTED = Answer("accepts", "ok")


# ---------------------------------------------------------------- what is above many leaves

_OF_ITSELF = frozenset(
    {
        AUTHORITY_ACCESS,
        AUTHORITY_KEY_ID,
        BASIC_CONSTRAINTS,
        CERTIFICATE_POLICIES,
        CRL_DISTRIBUTION_POINTS,
        EXTENDED_KEY_USAGE,
        KEY_USAGE,
        SUBJECT_KEY_ID,
    }
)
"""Extensions of a CA that say nothing of what stands in leaves, as the engines are asked: a path
length counts the CAs between, and neither engine looks at policies."""


class _Above:
    """What an engine found above leaves that name their issuer alike.

    Two signatures of three are those of the CAs, and of a thousand leaves of one CA they are the
    same two. Where a path was accepted, the leaf's issuer stands for all that is above it: the next
    leaf is asked about with that one as the only anchor. Is it accepted, so it is in full; else it
    is asked about in full.
    """

    __slots__ = ("issuer",)

    def __init__(self) -> None:
        self.issuer: tuple[bytes, ...] = ()
        """The one that stands for all; () before any was accepted, and if one above demands
        something of leaves."""

    def learn(self, path: Iterable[bytes]) -> None:
        """Take note of an accepted path, from the leaf's issuer on."""
        issuers = tuple(path)
        if all(
            extension.oid in _OF_ITSELF
            for issuer in issuers
            for extension in facts_of(issuer).extensions
        ):
            self.issuer = issuers[:1]


def _above(engine: str, chain: tuple[bytes, ...], anchors: AnchorSet, at: datetime) -> _Above:
    """Return what is above a leaf; a new one each time, if it could itself stand above others.

    The way up depends on nothing else of a leaf than the name of its issuer, the issuer's key
    identifier and the kind of signature.
    """
    leaf = facts_of(chain[0])
    if (
        None in (leaf.subject_key_id, leaf.authority_key_id)
        or leaf.subject_key_id == leaf.authority_key_id
        or chain[0] in chain[1:]
        or anchors.named(leaf.subject_raw)
    ):
        return _Above()
    identifiers = (e.value for e in leaf.extensions if e.oid == AUTHORITY_KEY_ID)
    algorithm = outline(chain[0]).outer_algorithm
    return _remembered(
        engine, chain[1:], anchors, at, leaf.issuer_raw, tuple(identifiers), algorithm
    )


@lru_cache(maxsize=256)
def _remembered(*_leaf: object) -> _Above:
    return _Above()


# ---------------------------------------------------------------- OpenSSL


@lru_cache(maxsize=2_048)
def ask_openssl(chain: tuple[bytes, ...], anchors: AnchorSet, at: datetime) -> Answer:
    """Ask OpenSSL about a chain, leaf first. It checks neither names nor purposes, as called here.

    Every anchor is trusted as it stands, also one that is no root (X509_V_FLAG_PARTIAL_CHAIN).
    Certificate policies are left out: the binding gives no way to say that any is welcome, and with
    none named OpenSSL refuses every path that demands one.
    """
    leaf, *others = (_for_openssl(der) for der in chain)
    if leaf is None:
        return Answer("silent", "it cannot read the certificate")
    above = _above(OPENSSL, chain, anchors, at)
    if above.issuer and _verified(leaf, [], _openssl_store(above.issuer, at)) == _ACCEPTED:
        return _ACCEPTED
    untrusted = [certificate for certificate in others if certificate is not None]
    # Reading all public roots takes it three milliseconds, and it looks for issuers by name.
    answer = _verified(leaf, untrusted, _openssl_store(_named_in(chain, anchors), at), above)
    if answer == _ACCEPTED:
        return answer
    return _verified(leaf, untrusted, _openssl_store(tuple(anchors.by_sha.values()), at), above)


def _named_in(chain: tuple[bytes, ...], anchors: AnchorSet) -> tuple[bytes, ...]:
    """Return the anchors of the names in a chain: those of issuers, and its own certificates'.

    In the order of the whole set, as among namesakes OpenSSL takes the first that will do. It folds
    case in values too that are compared octet by octet here: these may be anybody's namesake.
    """
    names = {
        name for facts in map(facts_of, chain) for name in (facts.subject_raw, facts.issuer_raw)
    }
    if not all(map(is_folded, names)):
        return tuple(anchors.by_sha.values())
    found = {anchor for name in names for anchor in anchors.named(name)}
    for subject, named in anchors.by_subject.items():
        if not is_folded(subject):
            found.update(named)
    return tuple(filter(found.__contains__, anchors.by_sha.values()))


def _verified(
    leaf: X509, untrusted: list[X509], store: X509Store, above: _Above | None = None
) -> Answer:
    asking = X509StoreContext(store, leaf, untrusted)
    path: Sequence[X509] = ()
    try:
        if above is None:
            asking.verify_certificate()
        else:
            path = asking.get_verified_chain()
    except X509StoreContextError as error:
        code, depth, says = error.errors
        if code in _GAVE_UP:
            return Answer("silent", says)
        return Answer("refuses", says, code, depth, _at_fault(error))
    finally:
        _empty_error_queue()
    if above is not None:
        above.learn(dump_certificate(FILETYPE_ASN1, issuer) for issuer in path[1:])
    return _ACCEPTED


def _at_fault(error: X509StoreContextError) -> str | None:
    try:
        return fingerprint(dump_certificate(FILETYPE_ASN1, error.certificate))
    except Error:
        return None


def _empty_error_queue() -> None:
    """Take away what a verification left behind: a TLS connection of this thread that looked at the
    queue next would take it for its own failure. A call that fails is the public way to do it.
    """
    with suppress(Error):
        load_certificate(FILETYPE_ASN1, b"")


@lru_cache(maxsize=2_048)
def ask_library(
    chain: tuple[bytes, ...], anchors: AnchorSet, at: datetime, name: str | None
) -> Answer:
    """Ask the verifier of `cryptography`, as a client that opens `name`."""
    if name is None:
        return Answer("silent", "there is no name to ask it about")
    with _quiet():
        leaf = read_strictly(chain[0]).certificate
        builder = _library_policy(tuple(anchors.by_sha.values()), at)
        if leaf is None:
            return Answer("silent", "it cannot read the certificate")
        if builder is None:
            return Answer("silent", "it takes no empty set of roots")
        above = _above(LIBRARY, chain, anchors, at)
        by_issuer = _library_policy(above.issuer, at)
        if by_issuer is not None:
            with suppress(VerificationError, ValueError, UnsupportedAlgorithm):
                by_issuer.build_server_verifier(_subject(name)).verify(leaf, [])
                return _ACCEPTED
        rest = [c for c in map(_between, chain[1:]) if c is not None]
        try:
            path = builder.build_server_verifier(_subject(name)).verify(leaf, rest)
        except VerificationError as error:
            return Answer("refuses", str(error).removeprefix("validation failed: "))
        except (ValueError, UnsupportedAlgorithm) as error:
            return Answer("silent", f"it cannot say: {error}")
    above.learn(issuer.public_bytes(Encoding.DER) for issuer in path[1:])
    return _ACCEPTED


def name_to_ask(leaf: CertFacts, name: str | None) -> str | None:
    """Return the name to ask about: the one opened, else the first that the leaf is for."""
    if name is not None:
        return name
    for kind in ("dns", "ip"):
        for own in leaf.names:
            if own.type == kind:
                # A wildcard stands for one label, whichever (RFC 9525, 6.3).
                return own.value.replace("*", "any", 1) if kind == "dns" else own.value
    return None


def _subject(name: str) -> x509.DNSName | x509.IPAddress:
    try:
        return x509.IPAddress(ip_address(name))
    except ValueError:
        return x509.DNSName(name)


@lru_cache(maxsize=4_096)
def _for_openssl(der: bytes) -> X509 | None:
    try:
        return load_certificate(FILETYPE_ASN1, der)
    except Error:
        return None


@lru_cache(maxsize=1_024)
def _between(der: bytes) -> x509.Certificate | None:
    """Return a certificate that may stand between a leaf and a root.

    A served root adds nothing: which roots count says the store, and its reason for a refusal would
    be that the root is its own issuer again and again.
    """
    certificate = read_strictly(der).certificate
    return certificate if certificate and certificate.subject != certificate.issuer else None


@lru_cache(maxsize=64)
def _openssl_anchors(anchors: tuple[bytes, ...]) -> tuple[X509, ...]:
    found = (_for_openssl.__wrapped__(der) for der in anchors)
    return tuple(anchor for anchor in found if anchor is not None)


@lru_cache(maxsize=64)
def _openssl_store(anchors: tuple[bytes, ...], at: datetime) -> X509Store:
    """Return a store of some anchors for one time. Never altered, so threads may share it."""
    store = X509Store()
    store.set_time(at.astimezone(UTC).replace(tzinfo=None))
    store.set_flags(X509StoreFlags.PARTIAL_CHAIN)
    for anchor in _openssl_anchors(anchors):
        store.add_cert(anchor)
    return store


def _anchor_for_library(der: bytes) -> x509.Certificate | None:
    # Its names are compared as octets: reading those of all public roots takes three milliseconds.
    try:
        return x509.load_der_x509_certificate(der)
    except (ValueError, TypeError, UnsupportedAlgorithm, x509.InvalidVersion):
        return None


@lru_cache(maxsize=64)
def _library_policy(anchors: tuple[bytes, ...], at: datetime) -> PolicyBuilder | None:
    """Return what to ask by, for some anchors and one time; None: there are none."""
    readable = _library_anchors(anchors)
    if not readable:
        return None
    return PolicyBuilder().store(Store(readable)).time(at.replace(microsecond=0))


@lru_cache(maxsize=64)
def _library_anchors(anchors: tuple[bytes, ...]) -> list[x509.Certificate]:
    found = map(_anchor_for_library, anchors)
    return [anchor for anchor in found if anchor is not None]


@contextmanager
def _quiet() -> Iterator[None]:
    """Hold back the library's warnings about odd certificates: `CertFacts` names what is odd."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield
