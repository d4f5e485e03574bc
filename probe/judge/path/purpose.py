"""What a leaf is for: key usage, extended key usage, and that it is no CA certificate."""

from collections.abc import Iterator
from datetime import UTC, datetime
from enum import StrEnum
from functools import lru_cache

from probe.certificate.facts import CertFacts
from probe.judge.path.clauses import KEY_USAGE, LEAF_IS_NO_CA, PURPOSE, PURPOSE_DEMANDED

SERVER_AUTH = "1.3.6.1.5.5.7.3.1"
ANY_PURPOSE = "2.5.29.37.0"
_GATED = ("1.3.6.1.4.1.311.10.3.3", "2.16.840.1.113730.4.1")
"""The two purposes that old server-gated cryptography stood for."""

_APPLE_WANTS_PURPOSE = datetime(2019, 7, 1, tzinfo=UTC)
"""Apple support 103769."""

_PURPOSES = {
    SERVER_AUTH: "server authentication",
    "1.3.6.1.5.5.7.3.2": "client authentication",
    "1.3.6.1.5.5.7.3.3": "code signing",
    "1.3.6.1.5.5.7.3.4": "e-mail protection",
    "1.3.6.1.5.5.7.3.8": "time stamping",
    "1.3.6.1.5.5.7.3.9": "OCSP signing",
    "1.3.6.1.5.5.7.3.13": "EAP over PPP",
    "1.3.6.1.5.5.7.3.14": "EAP over LAN",
    "1.3.6.1.4.1.311.20.2.2": "smart card logon",
}


class Purpose(StrEnum):
    """Client families that read purposes alike: all that the examination knows of a family."""

    WEB = "web"
    APPLE_WEB = "apple-web"
    EAP = "eap"
    APPLE_EAP = "apple-eap"


@lru_cache
def purpose_of(family: str) -> Purpose:
    """Return how a client family (plan.model.FAMILIES) reads purposes."""
    if family.endswith("-eap"):
        return Purpose.APPLE_EAP if family == "apple-eap" else Purpose.EAP
    return Purpose.APPLE_WEB if family == "apple-web" else Purpose.WEB


def leaf_objections(
    leaf: CertFacts, purpose: Purpose, *, is_anchor: bool
) -> Iterator[tuple[str, str]]:
    """Yield (clause, why) for each reason for which the leaf's purpose is wrong."""
    if leaf.is_ca:
        yield LEAF_IS_NO_CA, "it is a CA certificate, and stands where the server's own should"
    usages = leaf.key_usage
    if usages is not None and "digitalSignature" not in usages:
        # RFC 9846 (formerly 8446), 4.4.2.2; RFC 5246, 7.4.2 for every (EC)DHE suite.
        yield (
            KEY_USAGE,
            f"its key usage ({', '.join(usages) or 'none'}) does not let the key sign, as TLS 1.3 "
            "and all key exchanges with forward secrecy demand",
        )
    purposes = leaf.extended_key_usage
    if purposes is None:
        if (
            purpose is Purpose.APPLE_WEB
            and not is_anchor
            and leaf.not_before is not None
            and leaf.not_before >= _APPLE_WANTS_PURPOSE
        ):
            yield (
                PURPOSE_DEMANDED,
                "it has no extended key usage, which this client demands since 2019-07-01",
            )
        return
    # RFC 5216, 5.3: absent, any or serverAuth; RFC 5280, 4.2.1.12; for the old two
    # Apple Security framework source, EAP policy.
    accepted = {SERVER_AUTH, ANY_PURPOSE, *(_GATED if purpose is Purpose.APPLE_EAP else ())}
    if accepted.isdisjoint(purposes):
        yield PURPOSE, f"it is for {_listed(purposes)}, not for server authentication"


Reading = tuple[tuple[str, str], ...]


def reading(leaf: CertFacts, purpose: Purpose) -> Reading:
    """Return all that an examination takes from the purpose: what it has against the leaf, if that
    is no anchor itself (an anchor is objected to by some of it)."""
    return tuple(leaf_objections(leaf, purpose, is_anchor=False))


def issuer_objection(issuer: CertFacts) -> str | None:
    """Return why a CA certificate's own purposes exclude server certificates below it.

    RFC 5280 leaves it open; the engines of browsers and supplicants all take the purposes of a CA
    certificate as a limit (BR, 7.1.2, technically constrained CAs).
    """
    purposes = issuer.extended_key_usage
    if purposes is None or not {SERVER_AUTH, ANY_PURPOSE, *_GATED}.isdisjoint(purposes):
        return None
    return f"it may issue only for {_listed(purposes)}, not for server authentication"


def _listed(purposes: tuple[str, ...]) -> str:
    return ", ".join(_PURPOSES.get(purpose, purpose) for purpose in purposes) or "no purpose"
