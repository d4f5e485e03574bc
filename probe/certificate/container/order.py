"""Which certificate of a bundle is the server's, and in which order its issuers are sent with it.

By names and signatures alone: whether a path is any good is for the judge.
"""

from collections.abc import Iterable

from probe.certificate.container.key import key_matches
from probe.certificate.container.model import Bundle, PrivateKey
from probe.certificate.der import DerError
from probe.certificate.facts import facts_of
from probe.certificate.keys import signed_by
from probe.certificate.naming import same_name
from probe.certificate.pool import Pool
from probe.certificate.structure import outline
from probe.records import dataclass

_LONGEST = 16
"""Certificates of one chain: real ones have up to five."""
_LEAVES = 64
"""Certificates that issue nobody for which a chain is built: a file of roots has more, and no
leaf."""


@dataclass(frozen=True, slots=True)
class Order:
    """One server's certificate, its key and its chain."""

    leaf: bytes
    key: PrivateKey | None
    """The one that has proved that it is the certificate's; None: it is not in the bundle."""
    chain: tuple[bytes, ...]
    """Leaf first, after each its issuer, as far as the bundle has them; a root last."""


def in_order(bundle: Bundle) -> tuple[Order, ...]:
    """Return an order for each leaf, those whose key is there first; else as in the files.

    A leaf is a certificate whose key is there; without any, one that is no CA's and has issued none
    of the others; and where all are CAs', one that has issued none. Several mean that there are
    several servers' certificates in the bundle. Certificates that cannot be read are none.
    """
    readable = [held.der for held in bundle.certificates if facts_of(held.der).readable]
    pool = Pool(readable)
    issuers = {der: _issuer(der, pool) for der in readable}
    proven = {der: key for der in readable if (key := _key_of(der, bundle.keys)) is not None}
    issuing = {issuer for der, issuer in issuers.items() if issuer not in (None, der)}
    ending = [der for der in readable if der not in issuing]
    leaves = [der for der in ending if der not in proven and not facts_of(der).is_ca]
    if not proven and not leaves:
        leaves = ending
    return tuple(
        Order(leaf, proven.get(leaf), _chain(leaf, issuers))
        for leaf in [*proven, *leaves][:_LEAVES]
    )


def beside(bundle: Bundle, orders: Iterable[Order]) -> tuple[bytes, ...]:
    """Return the certificates of a bundle that are in no chain, in the order of the files."""
    taken = {der for order in orders for der in order.chain}
    return tuple(held.der for held in bundle.certificates if held.der not in taken)


def _key_of(der: bytes, keys: Iterable[PrivateKey]) -> PrivateKey | None:
    return next((key for key in keys if key_matches(key, der)), None)


def _issuer(der: bytes, pool: Pool) -> bytes | None:
    """Return the certificate of the pool that has signed another one; itself, if that has."""
    try:
        shape = outline(der)
    except DerError:
        return None
    if same_name(shape.issuer, shape.subject) and signed_by(der, shape.spki):
        return der
    # Of several with one key, such as a root and the same by another CA, the one that ends the
    # chain: the longer one needs more of whoever receives it.
    signing = [one for one in pool.named(shape.issuer) if signed_by(der, outline(one).spki)]
    return next((one for one in signing if facts_of(one).self_signed), next(iter(signing), None))


def _chain(leaf: bytes, issuers: dict[bytes, bytes | None]) -> tuple[bytes, ...]:
    found = [leaf]
    issuer = issuers[leaf]
    while issuer is not None and issuer not in found and len(found) < _LONGEST:
        found.append(issuer)
        issuer = issuers[issuer]
    return tuple(found)
