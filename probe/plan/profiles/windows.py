"""Windows profiles of wireless and wired networks, and EAPHost configurations by themselves.

The elements are those of the published schemas ([MS-GPWL], 2.2.3.2 and 6.8-6.13; EAPHost schemas
EapTlsConnectionPropertiesV1 and V2, MsPeapConnectionPropertiesV1 and V2,
EapTtlsConnectionPropertiesV1, EapTeapConnectionPropertiesV1). Only the outer method counts: it is
the one whose certificate the server shows.
"""

from collections.abc import Iterator
from pathlib import Path

from probe.plan.model import Demand, Expects, Matching
from probe.plan.pattern import PatternError, compiled
from probe.plan.problems import Refused, shown
from probe.plan.profiles.entries import bounded, demand, thumbprint
from probe.plan.profiles.markup import Element, tree

_NAMES = "ServerNames"
_ROOTS = ("TrustedRootCA", "TrustedRootCAHashes", "TrustedRootCAHash")
_PROMPT = ("DisableUserPromptForServerValidation", "DisablePrompt")
_PERFORM, _ACCEPT = "PerformServerValidation", "AcceptServerName"

_KEPT = frozenset({"Type", "name", _NAMES, *_ROOTS, *_PROMPT, _PERFORM, _ACCEPT})
_WITH_CERTIFICATE = frozenset({"13", "21", "25", "55"})
"""EAP-TLS, EAP-TTLS, PEAP, TEAP."""


def read(octets: bytes, _folder: Path) -> tuple[Expects, ...]:
    """Return what a profile expects in each of its EAPHost configurations. Raises Refused."""
    root = tree(octets, _KEPT)
    document = Element("", {}, children=[root])
    ssids = tuple(dict.fromkeys(_ssids(document)))
    bounded(len(ssids), "networks")
    hosts = list(document.below("EapHostConfig"))
    bounded(len(hosts), "EAP configurations")
    if not hosts:
        raise Refused(
            "holds no EAP configuration",
            "a WLANProfile, LANProfile or EapHostConfig with an element EapHostConfig",
        )
    return tuple(_expects(host, ssids) for host in hosts)


def _ssids(document: Element) -> Iterator[str]:
    for config in document.below("SSIDConfig"):
        for ssid in config.all("SSID"):
            name = ssid.first("name")
            if name is not None and name.text:
                yield name.text


def _expects(host: Element, ssids: tuple[str, ...]) -> Expects:
    kind = host.first("EapMethod")
    number = kind.first("Type") if kind is not None else None
    config = host.first("Config")
    if number is None or config is None:
        if host.first("ConfigBlob") is not None:
            raise Refused("has its EAP settings in a ConfigBlob, which is binary", "Config as XML")
        raise Refused("has an EapHostConfig without EapMethod/Type or Config")
    if number.text.strip() not in _WITH_CERTIFICATE:
        raise Refused(
            f"is for the EAP method {shown(number.text.strip())}, whose server shows no certificate"
        )
    outer = _outer(config)
    if outer is None:
        raise Refused("has no settings for its outer EAP method")
    validation = outer.first("ServerValidation") or Element("ServerValidation", {})
    names = _demand(validation) if _said(outer, validation, _ACCEPT) is not False else ()
    prints = [
        thumbprint(entry.text, entry.tag) for entry in validation.all(*_ROOTS) if entry.text.strip()
    ]
    bounded(len(prints), "thumbprints")
    roots = next(validation.all(*_ROOTS), None)
    silent = validation.first(*_PROMPT)
    return Expects(
        demands=names,
        anchor_key=roots.tag if roots is not None else _ROOTS[0],
        thumbprints=tuple(dict.fromkeys(prints)),
        validates=_said(outer, validation, _PERFORM) is not False,
        prompts=not (silent is not None and _true(silent.text)),
        ssids=ssids,
    )


def _outer(config: Element) -> Element | None:
    """Return the element with the settings of the outer method."""
    eap = config.first("Eap")
    if eap is not None:
        return eap.first("EapType")
    return config.first("EapTtls", "EapTeap")


def _demand(validation: Element) -> tuple[Demand, ...]:
    element = validation.first(_NAMES)
    texts = [text.strip() for text in element.text.split(";")] if element is not None else []
    return demand(_NAMES, ((text, _matching(text)) for text in texts))


def _matching(text: str) -> Matching:
    # As published: what holds a star is a regular expression, anything else a literal name
    # (Microsoft, EAP for network access, "Connect to these servers").
    if "*" not in text:
        return Matching.NAME
    try:
        compiled(text)
    except PatternError as error:
        if text.startswith("*"):  # no expression at all: a wildcard, as people write it
            return Matching.NAME
        raise Refused(f"has under {_NAMES} an expression that is not understood: {error}") from None
    return Matching.PATTERN


def _said(outer: Element, validation: Element, tag: str) -> bool | None:
    """Return a switch of the outer method: in its extensions, or an attribute; None: not there."""
    if tag in validation.attributes:
        return _true(validation.attributes[tag])
    places = (outer, *outer.all("PeapExtensions", "TLSExtensions"))
    found = next((said for place in places if (said := place.first(tag)) is not None), None)
    return None if found is None else _true(found.text)


def _true(text: str) -> bool:
    # XML Schema, part 2, 3.2.2: the two spellings of each truth value.
    if text.strip() not in ("true", "1", "false", "0"):
        raise Refused("holds a switch that is neither true nor false")
    return text.strip() in ("true", "1")
