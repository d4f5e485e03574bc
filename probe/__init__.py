"""Looks at a cluster of network-access servers as its clients do.

These names are the public surface. Each is imported when it is first used: `import probe` is cheap.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from probe.judge.assess import judge
    from probe.judge.path import explain_path
    from probe.judge.rehearse import swap
    from probe.observation.document import read_survey, write_survey
    from probe.observation.merge import merge
    from probe.observe.agenda import agenda
    from probe.observe.sweep import survey
    from probe.plan.problems import PlanError, Problem
    from probe.plan.read import load_plan
    from probe.report.render import render

__all__ = [
    "PlanError",
    "Problem",
    "agenda",
    "explain_path",
    "judge",
    "load_plan",
    "merge",
    "read_survey",
    "render",
    "survey",
    "swap",
    "write_survey",
]

_HOMES = {
    "PlanError": "probe.plan.problems",
    "Problem": "probe.plan.problems",
    "agenda": "probe.observe.agenda",
    "explain_path": "probe.judge.path",
    "load_plan": "probe.plan.read",
    "merge": "probe.observation.merge",
    "read_survey": "probe.observation.document",
    "render": "probe.report.render",
    "survey": "probe.observe.sweep",
    "swap": "probe.judge.rehearse",
    "write_survey": "probe.observation.document",
}


def __getattr__(name: str) -> Any:
    if name == "judge":
        # A room of the same name stands in this house, and can be called.
        return import_module("probe.judge")
    if name not in _HOMES:
        raise AttributeError(f"module 'probe' has no attribute {name!r}")
    value = getattr(import_module(_HOMES[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
