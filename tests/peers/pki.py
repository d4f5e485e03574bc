"""The certificates that the independent servers are given, made by the lab's workshop."""

from collections.abc import Sequence
from datetime import UTC, datetime
from functools import cache

from lab.authority import Blueprint, Issued, Workshop
from tests.peers.servers import Keys

HOST = "quay1.northpier.example"
EXPECTED = "radius.northpier.example"
RADSEC = "radsec.northpier.example"
GUEST = "guest.northpier.example"

RSA = ("radius-rsa-2048", "private-issuing")
ECDSA = ("radius-p-256", "private-issuing")
ALONE = ("radius-direct",)
"""A chain of one: the root issues it."""
LONG = ("radius-ring", *(f"ring-{number}" for number in range(5, 0, -1)))
LONGEST = ("radius-outer-ring", *(f"ring-{number}" for number in range(9, 0, -1)))
"""Chains of six and of ten certificates of RSA-4096."""

_CA_ENDS = 3650
"""A CA that ends within the year is a finding of its own (anchor-expiring)."""

BLUEPRINTS = (
    Blueprint(
        "public-root", common_name="Lab Public Root", key="RSA-2048", authority=True, ends=_CA_ENDS
    ),
    Blueprint(
        "public-issuing",
        issuer="public-root",
        common_name="Lab Public Issuing",
        key="RSA-2048",
        authority=True,
        ends=_CA_ENDS,
    ),
    Blueprint(
        "private-root", common_name="Northpier Root", key="RSA-2048", authority=True, ends=_CA_ENDS
    ),
    Blueprint(
        "private-issuing",
        issuer="private-root",
        common_name="Northpier Issuing",
        key="RSA-2048",
        authority=True,
        ends=_CA_ENDS,
    ),
    *(
        Blueprint(
            f"radius-{kind.lower()}",
            issuer="private-issuing",
            common_name=EXPECTED,
            names=(EXPECTED,),
            key=kind,
            purposes=("server",),
        )
        for kind in ("RSA-2048", "P-256")
    ),
    Blueprint(
        "radius-direct",
        issuer="private-root",
        common_name=EXPECTED,
        names=(EXPECTED,),
        key="RSA-2048",
        purposes=("server",),
    ),
    *(
        Blueprint(
            f"web-{kind.lower()}",
            issuer="public-issuing",
            common_name=HOST,
            names=(HOST, GUEST),
            key=kind,
            purposes=("server",),
            ends=60,
        )
        for kind in ("RSA-2048", "P-256")
    ),
    Blueprint(
        "web-guest",
        issuer="public-issuing",
        names=(GUEST,),
        common_name=GUEST,
        purposes=("server",),
        ends=60,
    ),
    # A long chain of large certificates. They share one key, as finding one takes a second.
    *(
        Blueprint(
            f"ring-{number}",
            issuer=f"ring-{number - 1}" if number > 1 else "private-root",
            common_name=f"Northpier Ring {number}",
            key="RSA-4096",
            key_of="ring-1" if number > 1 else None,
            authority=True,
            ends=_CA_ENDS,
        )
        for number in range(1, 10)
    ),
    # RadSec: the server, a peer of its own CA, and strangers of another one.
    *(
        Blueprint(
            f"radsec-{kind.lower()}",
            issuer="private-issuing",
            common_name="Northpier RadSec",
            names=(RADSEC,),
            key=kind,
            purposes=("server", "client"),
        )
        for kind in ("RSA-2048", "P-256")
    ),
    Blueprint(
        "radsec-ended",
        issuer="private-issuing",
        names=(RADSEC,),
        purposes=("server",),
        begins=-60,
        ends=-2,
    ),
    Blueprint(
        "access-point",
        issuer="private-issuing",
        names=("mast1.northpier.example",),
        purposes=("client",),
    ),
    Blueprint(
        "stranger",
        issuer="public-issuing",
        names=("mast9.saltmarsh.example",),
        purposes=("client",),
    ),
    *(
        Blueprint(
            label,
            issuer=issuer,
            common_name=EXPECTED,
            names=(EXPECTED,),
            key="RSA-4096",
            key_of="ring-1",
            purposes=("server",),
        )
        for label, issuer in (("radius-ring", "ring-5"), ("radius-outer-ring", "ring-9"))
    ),
)


@cache
def workshop() -> Workshop:
    """Return the one workshop of this run, dated from now: these servers are judged as of now."""
    return Workshop(BLUEPRINTS, datetime.now(UTC).replace(microsecond=0))


def issued(*labels: str) -> tuple[Issued, ...]:
    """Return certificates in this order."""
    return workshop().chain(labels)


def keys(*labels: str) -> Keys:
    """Return what to give a server so that it serves these certificates in this order."""
    return keys_of(issued(*labels))


def keys_of(chain: Sequence[Issued]) -> Keys:
    """Return what to give a server so that it serves this chain; the first one's key is used."""
    return Keys(tuple(one.pem.decode() for one in chain), chain[0].key_pem.decode())
