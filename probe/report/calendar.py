"""What ends when as iCalendar (RFC 5545): one all-day entry for each renewal, on the day to act.

Identifiers follow from plan and certificate, so that a calendar that is imported again moves its
entries and doubles none.
"""

from datetime import UTC, date
from uuid import NAMESPACE_URL, UUID, uuid5

from icalendar import Calendar, Event
from icalendar.enums import TRANSP

from probe.due import Due, Renewal, Role, Stage
from probe.report import due_words
from probe.report.escape import visible
from probe.report.terminal import words
from probe.version import TOOL

PRODUCT = "-//cluster-probe//probe due//EN"


def due_to_calendar(due: Due) -> str:
    """Return the calendar. A certificate whose end cannot be read has no entry."""
    calendar = Calendar.new(
        prodid=PRODUCT,
        name=_text(f"{visible(due.plan_name)}: certificates"),
        description=f"Written by {TOOL}, as of {words.time(due.judged_at)}",
        uid=_identity(due.plan_name),
        subcomponents=[
            _event(due, one, one.stage) for one in due.renewals if one.stage is not Stage.UNKNOWN
        ],
    )
    octets: bytes = calendar.to_ical()
    return octets.decode()


def _event(due: Due, one: Renewal, stage: Stage) -> Event:
    title, day = due_words.title(due, one), words.day(one.ends)
    ends = "ended" if stage is Stage.ENDED else "ends"
    where = due_words.place(due, one)
    renew = f"Renew {title}" if one.role is Role.SERVER else f"CA certificate {title}"
    return Event.new(
        summary=_text(f"{renew}: {ends} {day} ({where})"),
        description="\n".join(map(_text, _lines(due, one))),
        start=_day(due, one),
        stamp=due.judged_at.astimezone(UTC).replace(microsecond=0),
        uid=_identity(due.plan_name, one.certificate),
        categories=["certificate" if one.role is Role.SERVER else "CA certificate"],
        # It takes up nobody's day.
        transparency=TRANSP.TRANSPARENT,
    )


def _text(text: str) -> str:
    """Keep a backslash before an N apart from it: the library takes both, as in a name off the
    wire, for the end of a line (RFC 5545, 3.3.11), before it escapes anything."""
    return text.replace("\\N", "\\x4e")


def _identity(*parts: str) -> UUID:
    return uuid5(NAMESPACE_URL, ":".join(["probe-due", *map(ascii, parts)]))


def _day(due: Due, one: Renewal) -> date:
    """The day to renew; once that is past, the day of the calendar: act now."""
    renew = one.renew if one.renew is not None else one.ends
    moment = due.judged_at if renew is None else max(renew, due.judged_at)
    return moment.astimezone(UTC).date()


def _lines(due: Due, one: Renewal) -> list[str]:
    lines = [
        f"Ends: {words.time(one.ends)}" if one.ends is not None else "",
        f"Where: {due_words.place(due, one, every_node=True)}",
        f"Names: {due_words.names(due, one)}" if due_words.names(due, one) else "",
        f"Issued by: {due_words.issuer(due, one)}",
        f"SHA-256: {visible(one.certificate)}",
    ]
    if one.successor_days is not None:
        lines.append(f"Its successor may live {words.plural(one.successor_days, 'day')} at most.")
    lines += [
        f"From {words.day(step.since)} public CAs issue for {words.plural(step.days, 'day')} at"
        " most."
        for step in due.steps
        if one.successor_days is not None
    ]
    return [line for line in lines if line]
