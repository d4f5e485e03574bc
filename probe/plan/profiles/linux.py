"""Linux connection files: NetworkManager's keyfile format, group [802-1x].

Properties as published (nm-settings-keyfile(5) and nm-settings(5), "802-1x setting"); what each one
means to the supplicant behind it stands in its own configuration reference (domain_suffix_match,
altsubject_match, subject_match, ca_cert). Settings of the inner method ("phase2-...") are of no
account here.
"""

import binascii
import re
from collections.abc import Mapping
from pathlib import Path

from probe.limits import PEM_BYTES
from probe.plan.model import Expects, Matching
from probe.plan.pem import read_bounded
from probe.plan.problems import Refused, shown
from probe.plan.profiles.entries import demand, embedded, thumbprint

_WITH_CERTIFICATE = frozenset({"tls", "ttls", "peap", "fast"})
_WIFI = ("wifi", "802-11-wireless")
_KEPT = frozenset(
    {
        "eap",
        "ca-cert",
        "ca-path",
        "system-ca-certs",
        "domain-match",
        "domain-suffix-match",
        "altsubject-matches",
        "subject-match",
        "ssid",
    }
)
"""The keys that are read; no other value is kept even for a moment."""

_DATA, _FILE, _HASH = "data:;base64,", "file://", "hash://server/sha256/"
_ESCAPES = {"s": " ", "n": "\n", "t": "\t", "r": "\r", "\\": "\\", ";": ";"}


def read(octets: bytes, folder: Path) -> tuple[Expects, ...]:
    """Return what a connection file expects. Files that it names are read. Raises Refused."""
    groups = _groups(octets)
    settings = groups.get("802-1x")
    if settings is None:
        raise Refused("has no group [802-1x]", "a NetworkManager keyfile of an 802.1X connection")
    methods = {entry.lower() for entry in _list(settings.get("eap", ""))}
    if not methods & _WITH_CERTIFICATE:
        raise Refused(
            "allows no EAP method whose server shows a certificate", "eap = peap, ttls or tls"
        )
    system = settings.get("system-ca-certs", "").lower() in ("true", "1", "yes")
    anchors, prints = _anchors(settings.get("ca-cert", ""), folder)
    more = system or bool(settings.get("ca-path"))
    demands = (
        *demand("domain-match", _each(settings, "domain-match", Matching.EXACT)),
        *demand("domain-suffix-match", _each(settings, "domain-suffix-match", Matching.SUFFIX)),
        *demand("altsubject-matches", _each(settings, "altsubject-matches", Matching.ALTERNATIVE)),
        *demand("subject-match", [(_plain(settings.get("subject-match", "")), Matching.SUBJECT)]),
    )
    ssid = next((groups[name]["ssid"] for name in _WIFI if "ssid" in groups.get(name, {})), "")
    return (
        Expects(
            demands=demands,
            anchor_key="ca-cert",
            anchors=anchors,
            thumbprints=prints,
            system_roots=more,
            # As published: without any CA certificate the server's is not verified.
            validates=bool(anchors or prints or more),
            ssids=(_ssid(ssid),) if ssid else (),
        ),
    )


def _groups(octets: bytes) -> Mapping[str, Mapping[str, str]]:
    """Return the groups of a key file (GLib, "Key-value file parser"), with the keys kept."""
    try:
        text = octets.decode()
    except UnicodeDecodeError:
        raise Refused("is no UTF-8 text") from None
    groups: dict[str, dict[str, str]] = {}
    group: dict[str, str] | None = None
    for number, raw in enumerate(text.split("\n"), 1):
        line = raw.strip()
        if not line or line.startswith("#"):
            continue
        head = re.fullmatch(r"\[([^\[\]]+)\]", line)
        if head is not None:
            group = groups.setdefault(head[1], {})
            continue
        key, sign, value = line.partition("=")
        if group is None or not sign:
            raise Refused(f"is no key file: line {number} is neither [group] nor key=value")
        if key.strip() in _KEPT:
            group[key.strip()] = value.strip()
    return groups


def _plain(value: str) -> str:
    return re.sub(r"\\(.)", lambda found: _ESCAPES.get(found[1], found[0]), value)


def _list(value: str) -> list[str]:
    """Return the entries of a list: a semicolon ends each, and may be escaped."""
    entries = re.findall(r"(?:[^;\\]|\\.)+", value)
    return [text for entry in entries if (text := _plain(entry).strip())]


def _each(settings: Mapping[str, str], key: str, matching: Matching) -> list[tuple[str, Matching]]:
    return [(name, matching) for name in _list(settings.get(key, ""))]


def _ssid(value: str) -> str:
    """Return a network's name: text, or its octets as numbers."""
    if re.fullmatch(r"(\d{1,3};)+", value):
        octets = [int(number) for number in value.split(";") if number]
        if max(octets) < 256:
            return bytes(octets).decode("utf-8", "replace")
    return _plain(value)


# ---------------------------------------------------------------- anchors


def _anchors(value: str, folder: Path) -> tuple[tuple[bytes, ...], tuple[str, ...]]:
    """Return the certificates under `ca-cert`, and digests."""
    value = _plain(value)
    if not value:
        return (), ()
    if value.startswith(_HASH):
        return (), (thumbprint(value.removeprefix(_HASH), "ca-cert"),)
    if value.startswith("pkcs11:"):
        raise Refused("has its CA certificate in a PKCS #11 token, which is not read", "a file")
    if value.startswith(_DATA):
        return embedded(_base64(value.removeprefix(_DATA)), "ca-cert"), ()
    if re.fullmatch(r"(\d{1,3};){2,}\d{0,3}", value):  # older files: octets as numbers
        numbers = [int(number) for number in value.split(";") if number]
        if max(numbers) > 255:
            raise Refused("has under ca-cert numbers that are no octets")
        octets = bytes(numbers).rstrip(b"\0")
        if not octets.startswith(_FILE.encode()):
            return embedded(octets, "ca-cert"), ()
        value = octets.decode("utf-8", "replace")
    return _file(value.removeprefix(_FILE), folder), ()


def _base64(text: str) -> bytes:
    try:
        return binascii.a2b_base64(text, strict_mode=True)
    except (binascii.Error, ValueError):
        raise Refused("has under ca-cert something that is no base64") from None


def _file(name: str, folder: Path) -> tuple[bytes, ...]:
    """Return the certificates of the file that a connection names.

    A relative name stands for a file in the profile's own folder and never for one outside. An
    absolute one is a place on the client; where this machine has nothing there, a file of that name
    beside the profile is taken.
    """
    path = Path(name)
    if "\0" in name or not path.name:
        raise Refused("has under ca-cert no file name")
    try:
        if not path.is_absolute():
            path = folder / path
            if not path.resolve().is_relative_to(folder.resolve()):
                raise Refused(f"names under ca-cert a file outside its own folder: {shown(name)}")
        elif not path.exists():
            path = folder / path.name
        there = path.exists()
    except (OSError, RuntimeError):  # too long a name, a closed folder, a link that loops
        raise Refused(f"names under ca-cert a file that cannot be read: {shown(name)}") from None
    if not there:
        raise Refused(
            f"names under ca-cert a file that is not here: {shown(name)}",
            f"a copy of it beside the profile, named {shown(path.name)}",
        )
    return embedded(read_bounded(path, PEM_BYTES, name), f"ca-cert ({shown(name)})")
