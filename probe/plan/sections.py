"""The tables of the plan that stand alone: what each key in them may hold."""

from pathlib import Path

from probe.limits import MOST_CONVERSATIONS, Limits
from probe.observation.model import Method
from probe.plan import values
from probe.plan.model import (
    FAMILIES,
    Client,
    Fetch,
    Guest,
    Login,
    Resolver,
    Setup,
    Windows,
)
from probe.plan.pem import reason
from probe.plan.problems import At, Refused, shown
from probe.plan.settings import attribute_text
from probe.plan.tables import Parsers
from probe.plan.trust import certificate_file

EAP_FAMILIES = tuple(family for family in FAMILIES if family.endswith("-eap"))
INNER = ("MSCHAPv2", "PAP")
"""Inner methods of a login."""


def client(value: object, at: At) -> Client:
    """Return a client family: its name, or a table with its name and its setup."""
    family = values.word_of(FAMILIES, "client family")
    if isinstance(value, str):
        return set_up(family(value, at))
    keys: Parsers = {"family": family, "setup": values.member_of(Setup, "setup")}
    given = values.table(value, at, keys)
    values.require(given, value, at, "family")
    if given["family"] not in EAP_FAMILIES and "setup" in given:
        raise Refused(f"{given['family']} has no setup: only supplicants have one")
    return set_up(given["family"], given.get("setup", Setup.PROFILE))


def set_up(family: str, setup: Setup = Setup.PROFILE) -> Client:
    """Return a client family with its setup, if it is of a kind that has one."""
    return Client(family, setup if family in EAP_FAMILIES else None)


def resolver(value: object, at: At) -> Resolver:
    """Return a resolver: its place, or a table with its place and the name of its view."""
    if isinstance(value, str):
        return Resolver(values.resolver_place(value, at))
    given = values.table(value, at, {"at": values.resolver_place, "view": values.name})
    values.require(given, value, at, "at")
    return Resolver(given["at"], given.get("view"))


def dns(value: object, at: At) -> tuple[Resolver, ...]:
    """Return the resolvers to ask."""
    resolvers = values.list_of(resolver, at_least=1, what="resolver")
    given = values.table(value, at, {"resolvers": resolvers})
    found: tuple[Resolver, ...] = given.get("resolvers", (Resolver("system"),))
    return found


_LOGIN: Parsers = {
    "method": values.member_of(Method, "EAP method here"),
    "inner": values.word_of(INNER, "inner method here"),
    "account": attribute_text,
    "password": values.secret,
    "certificate": certificate_file,
    "key": values.secret,
}
_ACCOUNT = ("inner", "account", "password")
_CERTIFICATE = ("certificate", "key")


def login(value: object, at: At) -> Login | None:
    """Return the test login: an account with its password, or a certificate with its key.

    An empty table is none.
    """
    given = values.table(value, at, _LOGIN)
    if not isinstance(value, dict) or not value:
        return None
    by_certificate = any(key in value for key in _CERTIFICATE)
    if by_certificate:
        given.setdefault("method", Method.EAP_TLS)
        for key in _ACCOUNT:
            if key in given:
                at.key(key).add("does not go with a certificate")
        values.require(given, value, at, *_CERTIFICATE)
    else:
        values.require(given, value, at, "method", "account", "password")
    if by_certificate is not (given["method"] is Method.EAP_TLS):
        with_what = "an account" if by_certificate else "a certificate and its key"
        at.key("method").add(f"{given['method']} logs in with {with_what}")
    if given.get("inner") == "PAP" and given["method"] is not Method.EAP_TTLS:
        at.key("inner").add("PAP goes inside EAP-TTLS only (RFC 5281, 11.2.5)", "MSCHAPv2")
    return Login(**given)


def guest(value: object, at: At) -> Guest:
    """Return what guests reach before they log in."""
    reaches = values.list_of(values.host)
    given = values.table(value, at, {"canary": values.host_and_port, "reaches": reaches})
    canary, port = given.pop("canary", (None, values.HTTPS))
    return Guest(canary=canary, canary_port=port, **given)


def fetch(value: object, at: At) -> Fetch:
    """Return whether and where authority addresses are fetched from."""
    allow = values.list_of(values.network)
    given = values.table(value, at, {"off": values.boolean, "allow": allow})
    if given.get("off") and given.get("allow"):
        at.key("allow").add("contradicts off = true")
    return Fetch(**given)


def windows(value: object, at: At) -> Windows:
    """Return the warning windows, in days."""
    days = values.whole(0, 36_500)
    return Windows(**values.table(value, at, {"expiring_days": days, "anchor_days": days}))


def limits(value: object, at: At) -> tuple[tuple[str, float], ...]:
    """Return overrides of limits.py, by name: counts are whole numbers, times need not be."""
    keys: Parsers = {
        name: values.whole(1, 1_000_000_000) if kind is int else values.positive
        for name, kind in Limits.__annotations__.items()
    }
    keys["conversations_per_server"] = values.whole(1, MOST_CONVERSATIONS)
    return tuple(values.table(value, at, keys).items())


def profile_file(value: object, at: At) -> Path:
    """Return the path of a file that is there."""
    name = values.file_name(value, at)
    try:
        there = (at.folder / name).is_file()
    except OSError as error:
        raise Refused(f"{shown(name)}: {reason(error)}") from error
    if not there:
        raise Refused(f"{shown(name)}: the file does not exist")
    return at.folder / name
