"""The judge: pure opinion on what was seen. No socket, no file, no clock."""

import sys
from types import ModuleType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from probe.assessment import Assessment


class _Room(ModuleType):
    """This room. The public surface has a function of its name: calling the room is calling it."""

    def __call__(self, *given: Any, **named: Any) -> "Assessment":
        """Judge: see `probe.judge.assess.judge`."""
        from probe.judge.assess import judge  # noqa: PLC0415  # the room's parts are not all needed

        return judge(*given, **named)


sys.modules[__name__].__class__ = _Room
