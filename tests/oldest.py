"""Prints constraints for pip that hold every dependency of the tool at the oldest version that
`pyproject.toml` allows: `name==version`, one a line. Those of the tests themselves stay free."""

import re
import tomllib
from pathlib import Path

PROJECT = Path(__file__).parents[1] / "pyproject.toml"


def constraints(project: str) -> tuple[str, ...]:
    """Return one constraint for each dependency. Raises ValueError if one has no lower bound."""
    found = []
    for each in tomllib.loads(project)["project"]["dependencies"]:
        bound = re.fullmatch(r"([A-Za-z0-9._-]+)>=([0-9.]+)(,<[0-9.]+)?", each.replace(" ", ""))
        if bound is None:
            raise ValueError(f"{each} has no lower bound")
        found.append(f"{bound[1]}=={bound[2]}")
    return tuple(found)


if __name__ == "__main__":
    print("\n".join(constraints(PROJECT.read_text("utf-8"))))
