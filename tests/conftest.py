"""What holds for every test: whatever a tool keeps goes into .work/, which git never sees."""

import os
from pathlib import Path

# Read when the first property is tested, which is later than this.
os.environ.setdefault(
    "HYPOTHESIS_STORAGE_DIRECTORY", str(Path(__file__).parents[1] / ".work" / "hypothesis")
)
