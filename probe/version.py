"""Which issue of the tool this is. The wheel takes its version from here.

Asking the installed package for it instead would import forty modules, in every run.
"""

VERSION = "0.1.0"

TOOL = f"cluster-probe {VERSION}"
"""What documents say that they were written by."""
