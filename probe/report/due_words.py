"""How a renewal is called, on the screen and in a calendar. Everything returned is safe to show."""

from probe.due import Due, Renewal, Stage
from probe.report.escape import visible
from probe.report.terminal import words

NAMES = 3
"""Names of a certificate that are listed; the JSON document has all of them."""


def title(due: Due, one: Renewal) -> str:
    """Return what a certificate is best known by: common name, first name, subject, fingerprint."""
    facts = due.facts[one.certificate]
    names = [name.value for name in facts.names]
    return visible(
        facts.common_name or next(iter(names), "") or facts.subject or one.certificate[:16]
    )


def names(due: Due, one: Renewal) -> str:
    """Return the names in a certificate, briefly; "" if it has none."""
    return words.some_of([name.value for name in due.facts[one.certificate].names], NAMES)


def issuer(due: Due, one: Renewal) -> str:
    """Return the CA that issued a certificate; "" where it cannot be read."""
    return visible(due.facts[one.certificate].issuer)


def place(due: Due, one: Renewal, *, every_node: bool = False) -> str:
    """Return "web and EAP at quay1 to quay4"."""
    kinds = words.all_of([words.endpoint(kind) for kind in one.endpoints])
    listed = None if every_node else words.LISTED
    return f"{kinds} at {words.nodes(one.nodes, due.nodes, listed)}"


def left(one: Renewal) -> str:
    """Return how long it is until a certificate ends, or since it did."""
    if one.days is None:
        return "its end cannot be read"
    days = words.plural(abs(one.days), "day")
    if one.stage is Stage.ENDED:
        return f"ended {days} ago" if one.days else "ended within the last day"
    return f"in {days}" if one.days else "ends within a day"
