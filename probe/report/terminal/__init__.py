"""The reports for a person at a terminal: plain words first, colour second, any width.

Our own words are ASCII, so they survive a serial console and an unset locale; names from elsewhere
may bring other letters. A verdict is always a word; colour only repeats it.
"""

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
