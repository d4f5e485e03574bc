"""How to visit an endpoint: the plan's settings, a group's over them, a node's over those.

A table is read as what it *says* (fields by name), not as a whole `Web`, `Eap` or `Radsec`, so that
the three can be laid over one another.
"""

from typing import Any

from probe.observation.model import Method
from probe.plan import values
from probe.plan.attributes import attributes
from probe.plan.model import Visit
from probe.plan.problems import At
from probe.plan.tables import Parsers, array
from probe.plan.trust import Sources, certificate_file

MEDIA = ("wifi", "wired")

attribute_text = values.text_up_to(253)  # RFC 2865, 5: the longest value of an attribute
_SSID = values.text_up_to(32)  # IEEE 802.11, 9.4.2.2

_WEB: Parsers = {"port": values.port, "used_as_client": values.boolean}
_EAP: Parsers = {
    "port": values.port,
    "secret": values.secret,
    "expected_names": values.list_of(values.expected_name),
    "methods": values.list_of(
        values.member_of(Method, "EAP method here"), at_least=1, what="EAP method"
    ),
    "identity": attribute_text,
    "anonymous_nai": attribute_text,
    "nas_identifier": attribute_text,
    "nas_address": values.address,
    "calling_station": values.hardware_address,
    "medium": values.word_of(MEDIA, "medium"),
    "ssid": _SSID,
    "framed_mtu": values.whole(64, 65535),  # RFC 2865, 5.12
    "suite_192": values.boolean,
    "attributes": attributes,
}
_VISIT: Parsers = {
    "name": values.name,
    "medium": values.word_of(MEDIA, "medium"),
    "ssid": _SSID,
    "identity": attribute_text,
    "attributes": attributes,
}
_NODE: Parsers = {"addresses": values.address_list}
"""What only a node's own table may hold."""


def endpoint_tables(sources: Sources, *, node: bool = False) -> Parsers:
    """Return the parsers of the `web`, `eap` and `radsec` tables of the plan, a group or a node."""
    radsec: Parsers = {
        "port": values.port,
        "roots": values.list_of(sources.file),
        "names": values.list_of(values.host),
        "certificate": certificate_file,
        "key": values.secret,
    }
    own = _NODE if node else {}
    return {
        "web": values.table_of(_WEB | own),
        "eap": values.table_of(_EAP | own),
        "radsec": values.table_of(radsec | own),
    }


def plan_eap(value: object, at: At) -> dict[str, Any]:
    """Return what the plan's own `[eap]` says, its visits among it."""
    said = values.table(value, at, _EAP | {"visit": array(_VISIT)})
    _ssid_fits(said, at)
    visits = []
    for entry in said.pop("visit", ()):
        with entry.at:
            entry.require("name")
            _ssid_fits(entry.said, entry.at)
            visits.append(Visit(**(_context(said, entry.said) | entry.said)))
    said["visits"] = tuple(visits)
    return said


def _ssid_fits(said: dict[str, Any], at: At) -> None:
    if said.get("medium") == "wired" and "ssid" in said:
        at.key("ssid").add('contradicts medium = "wired": a wire has no SSID')


def _context(plan: dict[str, Any], visit: dict[str, Any]) -> dict[str, Any]:
    """Return what a visit takes over from the plan's own context."""
    medium = visit.get("medium", plan.get("medium", "wifi"))
    context = {"medium": medium}
    if medium == "wifi" and "ssid" in plan:
        context["ssid"] = plan["ssid"]
    return context
