"""Causes that nothing on the wire can show, each with the one question to ask. They come last."""

from collections.abc import Iterator

from probe.complaint import ClientSide, Recognised, Whose
from probe.judge.complaint.kinds import Kind, kind_of
from probe.judge.complaint.understood import Understood
from probe.observation.model import Endpoint

_DATES = ("expired", "not-yet-valid", "staple-bad")
_TRUST = ("unknown-root", "self-signed", "private-root", "chain-incomplete", "root-differs")
_NAMES = ("name-mismatch", "name-unexpected", "common-name-only", "name-uncovered")
_PROMPTS = ("leaf-differs", "half-renewed", "root-differs")


def client_side(taken: Understood, found: Recognised) -> tuple[ClientSide, ...]:
    """Return the causes that lie with the client or with somebody else's server."""
    told: dict[str, ClientSide] = {}
    for one in _causes(taken, found):
        told.setdefault(one.question, one)
    return tuple(told.values())


def _causes(taken: Understood, found: Recognised) -> Iterator[ClientSide]:
    tails = {rule.partition("-")[2] for rule in taken.rules}
    eap, web = Endpoint.EAP in taken.endpoints, Endpoint.WEB in taken.endpoints
    if any(heard.unspecific or not heard.known for heard in taken.heard):
        yield ClientSide(
            "Another fault than anybody can guess from those words",
            "What exactly stands on the screen, letter by letter, with every code?",
        )
    if any(row.anything or row.pointer for row in taken.rows):
        yield ClientSide(
            "The words stand for any fault of a certificate",
            'Which code stands below them (often under "Advanced" or "Details")?',
        )
    if taken.undirected:
        yield ClientSide(
            "An alert speaks of the certificate of whoever received it",
            "Does the line stand in the server's log or in the client's?",
        )
    if taken.client_side:
        yield ClientSide(
            "The client's own certificate has ended, is missing, or comes from another CA",
            "What does the device's own certificate say: issuer and end?",
        )
    if tails & set(_DATES):
        yield ClientSide(
            "The clock of the device is wrong", "Which date and time does the device show?"
        )
    if eap and tails & {*_TRUST, *_PROMPTS, *_NAMES}:
        yield ClientSide(
            "The device has no profile for this network, or an old one",
            "Was the network set up by a profile, or by hand?",
        )
    if web and tails & set(_TRUST):
        yield ClientSide(
            "A filter or a virus scanner puts certificates of its own in between",
            "Who issued the certificate, as the screen shows it?",
        )
    if "web-private-root" in taken.rules:
        yield ClientSide(
            "The device does not have the organisation's roots",
            "Is it a device of the organisation?",
        )
    if web and tails & {*_NAMES, "no-address", "wrong-address"}:
        yield ClientSide(
            "Another name was opened than the plan has",
            "What stands in the address bar, letter by letter?",
        )
    if eap and ({Kind.REACH, Kind.ASKED} & {kind_of(r) for r in taken.rules} or taken.client_side):
        yield ClientSide(
            "The account, its password or a policy",
            "Does the same account get in with another device, at the same place?",
        )
    if found.whose in (Whose.NOT_TOLD, Whose.FITS) and not (
        taken.client_side or taken.nothing_shown
    ):
        yield ClientSide(
            "Somebody else's server",
            "Which fingerprint (SHA-256 or SHA-1) does the certificate on the screen have?",
        )
    if found.whose is not Whose.OURS:
        yield ClientSide(
            "Another network, or its portal",
            "Which network is the device connected to, letter by letter?"
            if web
            else "Is another network of the same name in range there?",
        )
