"""The schema of the history file, step by step: version N is what the first N steps make.

A step that was released is never altered: files of that version are out there.
"""

from probe.history.migrations import version_1

STEPS: tuple[tuple[str, ...], ...] = (version_1.STATEMENTS,)
"""Each a list of statements, run together with all others that a file lacks in one transaction."""
