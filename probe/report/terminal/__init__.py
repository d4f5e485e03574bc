"""The reports for a person at a terminal: plain words first, colour second, any width.

Our own words are ASCII, so they survive a serial console and an unset locale; names from elsewhere
may bring other letters. A verdict is always a word; colour only repeats it.

Each report is imported when it is first used: a command shows one of them.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from probe.report.terminal.agenda import render_agenda
    from probe.report.terminal.bundle import render_bundle
    from probe.report.terminal.complaint import render_complaint
    from probe.report.terminal.decision import render_decisions
    from probe.report.terminal.due import render_due
    from probe.report.terminal.past import render_past
    from probe.report.terminal.rehearsal import render_rehearsal
    from probe.report.terminal.rules import render_rule, render_rules
    from probe.report.terminal.screen import render

__all__ = [
    "render",
    "render_agenda",
    "render_bundle",
    "render_complaint",
    "render_decisions",
    "render_due",
    "render_past",
    "render_rehearsal",
    "render_rule",
    "render_rules",
]

_HOMES = {
    "render": "screen",
    "render_agenda": "agenda",
    "render_bundle": "bundle",
    "render_complaint": "complaint",
    "render_decisions": "decision",
    "render_due": "due",
    "render_past": "past",
    "render_rehearsal": "rehearsal",
    "render_rule": "rules",
    "render_rules": "rules",
}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'probe.report.terminal' has no attribute {name!r}")
    value = getattr(import_module(f"probe.report.terminal.{_HOMES[name]}"), name)
    globals()[name] = value
    return value
