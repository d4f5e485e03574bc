"""Apple configuration profiles: a property list in XML, bare or inside signed data.

The keys are those of the published schema (github.com/apple/device-management, mdm/profiles:
com.apple.wifi.managed and the certificate payloads); wired payloads have the same EAP settings.
"""

import plistlib
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from xml.parsers.expat import ExpatError

from probe.plan.model import Expects, Matching
from probe.plan.problems import Refused
from probe.plan.profiles.cms import signed_content
from probe.plan.profiles.entries import bounded, demand, embedded

_CERTIFICATES = frozenset(f"com.apple.security.{kind}" for kind in ("root", "pem", "pkcs1"))
"""Payloads of certificates without a key; an identity (pkcs12) is never an anchor's place."""

_NETWORK = re.compile(r"com\.apple\.(wifi|[a-z]*ethernet)\.managed")
_WITH_CERTIFICATE = frozenset({13, 21, 25, 43, 55})
"""EAP methods in which the server shows a certificate: EAP-TLS, EAP-TTLS, PEAP, EAP-FAST, TEAP."""

_ANCHORS, _MORE_ANCHORS = "PayloadCertificateAnchorUUID", "TLSTrustedCertificates"
_NAMES, _EXCEPTIONS = "TLSTrustedServerNames", "TLSAllowTrustExceptions"

_UNREADABLE = (
    ExpatError,
    plistlib.InvalidFileException,
    ValueError,
    AttributeError,
    TypeError,
    LookupError,
    OverflowError,
)
"""What the property list reader raises for wrong text: it takes dates and numbers on trust. It
refuses entity declarations itself and resolves no external ones; binary lists, which may refer to
themselves, are not given to it."""


def read(octets: bytes, _folder: Path) -> tuple[Expects, ...]:
    """Return what a configuration profile expects in each 802.1X network. Raises Refused."""
    if octets[:1] == b"\x30":
        octets = signed_content(octets)
    if octets.startswith(b"bplist"):
        raise Refused("is a binary property list", "one in XML (plutil -convert xml1 FILE)")
    profile = _property_list(octets)
    if "EncryptedPayloadContent" in profile:
        raise Refused("is encrypted for one device: what it expects cannot be read")
    payloads = _dictionaries(profile.get("PayloadContent"))
    bounded(len(payloads), "payloads")
    certificates = dict(_certificates(payloads))
    found = [
        _expects(payload, settings, certificates)
        for payload in payloads
        if _NETWORK.fullmatch(str(payload.get("PayloadType")))
        and isinstance(settings := payload.get("EAPClientConfiguration"), dict)
        and _WITH_CERTIFICATE & {n for n in _list(settings, "AcceptEAPTypes") if type(n) is int}
    ]
    if not found:
        raise Refused(
            "holds no 802.1X network whose server shows a certificate",
            "a Wi-Fi or Ethernet payload with EAPClientConfiguration and AcceptEAPTypes",
        )
    return tuple(found)


def _property_list(octets: bytes) -> dict[str, Any]:
    try:
        profile = plistlib.loads(octets, fmt=plistlib.FMT_XML)
    except _UNREADABLE:
        # The reader's own message may quote the file.
        raise Refused("is no property list in XML that can be read") from None
    if not isinstance(profile, dict):
        raise Refused("is a property list, but no configuration profile")
    return profile


def _dictionaries(value: object) -> list[dict[str, Any]]:
    return [entry for entry in value if isinstance(entry, dict)] if isinstance(value, list) else []


def _list(settings: dict[str, Any], key: str) -> list[Any]:
    value = settings.get(key, [])
    if not isinstance(value, list):
        raise Refused(f"has under {key} no array")
    bounded(len(value), f"entries under {key}")
    return value


def _certificates(payloads: list[dict[str, Any]]) -> Iterator[tuple[str, tuple[bytes, ...]]]:
    """Yield the certificates of the profile by the identifier of their payload."""
    for payload in payloads:
        content, uuid = payload.get("PayloadContent"), payload.get("PayloadUUID")
        if payload.get("PayloadType") in _CERTIFICATES and isinstance(content, bytes):
            yield str(uuid).upper(), embedded(content, "a certificate payload")


def _expects(
    payload: dict[str, Any],
    settings: dict[str, Any],
    certificates: dict[str, tuple[bytes, ...]],
) -> Expects:
    anchors: list[bytes] = []
    used = [key for key in (_ANCHORS, _MORE_ANCHORS) if _list(settings, key)]
    for key in used:
        for entry in _list(settings, key):
            if isinstance(entry, bytes):
                anchors += embedded(entry, key)
            elif (uuid := str(entry).upper()) in certificates:
                anchors += certificates[uuid]
            else:
                raise Refused(f"names under {key} a certificate payload that is not in it")
    names = [name for name in _list(settings, _NAMES) if isinstance(name, str)]
    said = settings.get(_EXCEPTIONS)
    ssid = payload.get("SSID_STR")
    return Expects(
        demands=demand(_NAMES, ((name, Matching.NAME) for name in names)),
        anchor_key=used[0] if used else _ANCHORS,
        anchors=tuple(dict.fromkeys(anchors)),
        # As published: anchors or names switch the dialogue off unless exceptions are allowed.
        prompts=said if isinstance(said, bool) else not (anchors or names),
        ssids=(ssid,) if isinstance(ssid, str) and ssid else (),
    )
