"""What every kind of profile holds: names, certificates and their thumbprints."""

import re
from collections.abc import Iterable

from probe.limits import PATTERN_CHARACTERS, PROFILE_ENTRIES
from probe.plan.model import Demand, Matching
from probe.plan.pem import certificates_in
from probe.plan.problems import Refused


def embedded(octets: bytes, where: str) -> tuple[bytes, ...]:
    """Return the DER of certificates out of a profile, PEM or DER. `where` is for messages."""
    try:
        return certificates_in(octets)
    except Refused as refused:
        raise Refused(f"has under {where} what {refused.says}") from None


def thumbprint(text: str, where: str) -> str:
    """Return a digest of a certificate as lower-case hex; blanks and colons may stand in it."""
    digits = re.sub(r"[\s:]", "", text).lower()
    if not re.fullmatch(r"[0-9a-f]{40}|[0-9a-f]{64}", digits):
        raise Refused(f"has under {where} no SHA-1 or SHA-256 thumbprint in hex")
    return digits


def bounded(number: int, what: str) -> None:
    """Refuse more entries than a real profile has."""
    if number > PROFILE_ENTRIES:
        raise Refused(f"holds more than {PROFILE_ENTRIES} {what}")


def demand(key: str, names: Iterable[tuple[str, Matching]]) -> tuple[Demand, ...]:
    """Return what a key demands; nothing if no name stands there. Raises Refused."""
    found = tuple((name, matching) for name, matching in names if name)
    bounded(len(found), f"entries under {key}")
    if any(len(name) > PATTERN_CHARACTERS for name, _ in found):
        raise Refused(f"has under {key} a name of more than {PATTERN_CHARACTERS} characters")
    return (Demand(key, found),) if found else ()
