"""What people hand in, whoever wrote it: logs of servers, sheets of nodes, words off a screen."""

import functools
import io
import tomllib
from contextlib import suppress
from pathlib import Path

from probe.assessment import Assessment
from probe.complaint import Complaint, LogAlert
from probe.drafting.model import Given, Network
from probe.drafting.propose import propose
from probe.drafting.sheet import SheetError, read_sheet
from probe.judge.assess import judge
from probe.judge.complaint import answer, client_of, nodes_of, site_of
from probe.judge.complaint.match import understand
from probe.judge.trust import AnchorSet
from probe.observe.serverlog import alerts_in
from probe.plan.model import Plan
from probe.plan.read import problems_in
from probe.report.complaint_document import complaint_to_json
from probe.report.terminal import render_complaint
from probe.wire.registry import ALERTS
from tests.judge import world
from tests.judge.pki import AT

_NAMES = frozenset(ALERTS.values())
_NOBODY = AnchorSet("public", ())


def server_log(octets: bytes) -> None:
    """Nothing but alerts that there are, as often at most as there are lines."""
    lines = octets.count(b"\n") + 1
    for told in alerts_in(io.BytesIO(octets)):
        assert told.alert in _NAMES
        assert 0 < told.times <= lines
        assert (told.first is None) == (told.last is None)
        if told.first is not None and told.last is not None:
            assert told.first <= told.last
            assert told.first.utcoffset() is not None


def sheet(octets: bytes) -> None:
    """What is read becomes a draft that is TOML, and whose faults are told line by line."""
    try:
        rows, _ = read_sheet(octets)
    except SheetError as error:
        wrong = error.says
    else:
        wrong = ()
    assert all(says.isprintable() for says in wrong), wrong
    if wrong:
        return
    assert rows
    draft = propose(Given(rows=rows), Network({}), _NOBODY)
    spread = tomllib.loads(draft.text)["node"]
    assert sum(len(_numbers(node)) for node in spread) == len(rows)
    assert all(line.isprintable() for line in draft.text.splitlines())
    for problem in problems_in(draft.text, Path("/nonexistent")):
        assert str(problem).isprintable()


def _numbers(node: dict[str, list[int]]) -> range:
    first, last = node.get("numbers", (1, 1))
    return range(first, last + 1)


@functools.cache
def _judged() -> tuple[Plan, Assessment]:
    plan = world.plan()
    return plan, judge(plan, world.seen(plan), at=AT)


def words(octets: bytes) -> None:
    """Words off a screen, and beside them everything else that a person may say."""
    said = octets.decode("utf-8", "replace")
    assert understand(said) == understand(said)
    client_of(said)
    plan, judged = _judged()
    nodes_of(plan, said)
    site_of(plan, said)
    log = tuple(
        LogAlert(told.alert, told.received, told.times, told.first, told.last)
        for told in alerts_in(io.BytesIO(octets))
    )
    found = answer(plan, Complaint(saw=(said,), page=said[:80] or None, log=log), judged)
    screen = render_complaint(found)
    assert all(line.isprintable() for line in screen.splitlines())
    with suppress(UnicodeEncodeError):
        assert complaint_to_json(found)


TARGETS = {each.__name__: each for each in (server_log, sheet, words)}
