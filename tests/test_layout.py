"""Imports point one way (DEVELOPERS.md, "Rooms"): the files are read, nothing is imported."""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]

ROOMS = {
    "probe.files": set(),
    "probe.limits": set(),
    "probe.records": set(),
    "probe.version": set(),
    "probe.observation": {"probe.files"},
    "probe.certificate": {"probe.observation"},
    "probe.wire": {"probe.observation", "probe.certificate"},
    "probe.plan": {"probe.observation", "probe.certificate"},
    "probe.assessment": {"probe.observation", "probe.certificate"},
    "probe.observe": {
        "probe.wire",
        "probe.observation",
        "probe.certificate",
        "probe.plan",
    },
    "probe.judge": {
        "probe.observation",
        "probe.certificate",
        "probe.plan",
        "probe.assessment",
        "probe.bundle",
        "probe.complaint",
        "probe.due",
        "probe.rehearsal",
    },
    "probe.bundle": {"probe.observation", "probe.certificate", "probe.assessment"},
    "probe.rehearsal": {"probe.observation", "probe.assessment", "probe.bundle"},
    "probe.due": {"probe.observation", "probe.certificate", "probe.assessment"},
    "probe.complaint": {"probe.observation", "probe.certificate", "probe.assessment"},
    "probe.past": {"probe.observation", "probe.certificate", "probe.assessment"},
    "probe.drafting": {
        "probe.observation",
        "probe.certificate",
        "probe.plan",
        "probe.judge",
    },
    "probe.history": {"probe.files", "probe.observation", "probe.past"},
    "probe.report": {
        "probe.assessment",
        "probe.past",
        "probe.bundle",
        "probe.complaint",
        "probe.due",
        "probe.rehearsal",
        "probe.observation",
        "probe.certificate",
    },
    "probe.jobs": {
        "probe.files",
        "probe.observe",
        "probe.judge",
        "probe.drafting",
        "probe.history",
        "probe.observation",
        "probe.certificate",
        "probe.plan",
        "probe.assessment",
        "probe.past",
        "probe.bundle",
        "probe.complaint",
        "probe.due",
        "probe.rehearsal",
    },
    "probe.manual": {
        "probe.jobs",
        "probe.report",
        "probe.observation",
        "probe.assessment",
    },
    "probe.cli": {
        "probe.manual",
        "probe.files",
        "probe.jobs",
        "probe.drafting",
        "probe.report",
        "probe.plan",
        "probe.observation",
        "probe.assessment",
        "probe.past",
        "probe.bundle",
        "probe.complaint",
        "probe.due",
        "probe.rehearsal",
    },
}
"""What each room may import of the project beside itself. Open to all are `probe.limits`,
`probe.records` and `probe.version`. `probe.observation` and `probe.assessment` are what the rooms
above speak to each other in."""

OPEN_TO_ALL = {"probe.limits", "probe.records", "probe.version"}

LAB_MAY = {"probe.wire.radius", "probe.wire.eap", "probe.wire.fragments"}

JUDGE_MAY_NOT = {
    "asyncio",
    "http",
    "multiprocessing",
    "selectors",
    "signal",
    "socket",
    "socketserver",
    "ssl",
    "subprocess",
    "threading",
    "time",
    "urllib",
    "OpenSSL",
    "pyrad",
    "dns",
    "os",
    "shutil",
    "tempfile",
    "random",
    "secrets",
}
"""Sockets, files, clocks and chance: a judge is given everything."""

WITNESS = "probe.judge.path.witness"
"""The one place where a judge asks OpenSSL about a chain; it is given chain, roots and time."""

WITNESS_MAY = ("OpenSSL.crypto", "OpenSSL.SSL.OpenSSL_version", "OpenSSL.SSL.OPENSSL_VERSION")
"""What it asks, and of which version that is."""

CLOCK_CALLS = {"now", "utcnow", "today"}
FILE_CALLS = {"open", "read_text", "read_bytes", "write_text", "write_bytes", "exists", "stat"}
LOADS_PACKAGE_DATA = {
    "probe/judge/clients/__main__.py",
    "probe/judge/clients/generate.py",
    "probe/judge/clients/reactions.py",
    "probe/judge/complaint/table.py",
    "probe/judge/issuers.py",
}
"""Data files of client families, of their words and of CAs are read once. The first two are a
command of developers."""


def module_name(path: Path, root: Path) -> str:
    parts = list(path.relative_to(root).with_suffix("").parts)
    if parts[-1] == "__init__":
        parts.pop()
    return ".".join(parts)


def imports(tree: ast.AST, module: str, *, is_package: bool) -> Iterator[tuple[int, str]]:
    """Yield (line, dotted name) for each import, wherever in the file it stands."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield node.lineno, alias.name
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                package = module.split(".") if is_package else module.split(".")[:-1]
                package = package[: len(package) - node.level + 1]
                base = ".".join([*package, *([base] if base else [])])
            for alias in node.names:
                yield node.lineno, f"{base}.{alias.name}"


def within(name: str, room: str) -> bool:
    return name == room or name.startswith(room + ".")


def room_of(name: str) -> str | None:
    return next((room for room in ROOMS if within(name, room)), None)


def violations(root: Path) -> list[str]:
    """Return "file:line: sentence" for each import or call against the direction."""
    found = []
    for path in sorted([*root.glob("probe/**/*.py"), *root.glob("lab/**/*.py")]):
        module = module_name(path, root)
        tree = ast.parse(path.read_text("utf-8"), str(path))
        place = path.relative_to(root).as_posix()
        for line, name in imports(tree, module, is_package=path.name == "__init__.py"):
            why = import_violation(module, name)
            if why:
                found.append(f"{place}:{line}: {why}")
        if within(module, "probe.judge"):
            found += [f"{place}:{line}: {why}" for line, why in impure_calls(tree, place)]
    return found


def import_violation(module: str, name: str) -> str | None:
    top = name.split(".", maxsplit=1)[0]
    if within(module, "lab"):
        if top == "probe" and not any(within(name, codec) for codec in LAB_MAY):
            return f"the lab imports {name}"
        return None
    if top in {"lab", "tests"}:
        return f"{module} imports {name}"
    room = room_of(module)
    if room is None:
        # probe/__init__.py is the public surface: it may reach everywhere.
        return None if module in {"probe", "probe.__main__"} else f"{module} is in no room"
    if (
        within(module, "probe.judge")
        and top in JUDGE_MAY_NOT
        and not (module == WITNESS and any(within(name, allowed) for allowed in WITNESS_MAY))
    ):
        return f"a judge imports {name}"
    if top == "probe":
        other = room_of(name)
        if other is None:
            return f"{module} imports {name}, which is in no room"
        if other not in {room, *OPEN_TO_ALL, *ROOMS[room]}:
            return f"{room} imports {other}"
    return None


def impure_calls(tree: ast.AST, place: str) -> Iterator[tuple[int, str]]:
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call):
            continue
        called = node.func
        name = called.attr if isinstance(called, ast.Attribute) else getattr(called, "id", "")
        if isinstance(called, ast.Attribute) and name in CLOCK_CALLS:
            yield node.lineno, f"a judge asks the clock: {name}()"
        if name in FILE_CALLS and place not in LOADS_PACKAGE_DATA:
            yield node.lineno, f"a judge touches a file: {name}()"


def test_imports_point_one_way() -> None:
    assert violations(ROOT) == []


def test_only_the_known_things_stand_at_the_top() -> None:
    """The layout allows these and no other at the top; dotted folders are tools' own."""
    allowed = {"README.md", "DEVELOPERS.md", "pyproject.toml", "probe", "lab", "tests"}
    assert {path.name for path in ROOT.iterdir() if not path.name.startswith(".")} <= allowed


@pytest.mark.parametrize(
    ("place", "source", "expected"),
    [
        ("probe/judge/trust.py", "import socket", "a judge imports socket"),
        ("probe/judge/trust.py", "def f():\n    import time", "a judge imports time"),
        ("probe/judge/trust.py", "from os import path", "a judge imports os.path"),
        ("probe/judge/trust.py", "from probe.observe import web", "probe.judge imports"),
        ("probe/judge/trust.py", "from ..wire import eap", "probe.judge imports probe.wire"),
        ("probe/judge/path/build.py", "from ...wire import eap", "probe.judge imports probe.wire"),
        ("probe/judge/trust.py", "x = datetime.now()", "a judge asks the clock: now()"),
        ("probe/judge/trust.py", "x = open('y')", "a judge touches a file: open()"),
        ("probe/judge/trust.py", "x = p.read_text()", "a judge touches a file: read_text()"),
        ("probe/observe/web.py", "from probe.judge import names", "probe.observe imports"),
        ("probe/wire/tls.py", "from probe.plan import model", "probe.wire imports probe.plan"),
        ("probe/report/document.py", "from probe.judge import names", "probe.report imports"),
        ("probe/cli/main.py", "import lab.cluster", "probe.cli.main imports lab.cluster"),
        ("probe/cli/main.py", "from probe.judge import names", "probe.cli imports probe.judge"),
        ("probe/jobs/sweep.py", "from probe.report import document", "probe.jobs imports"),
        ("probe/cellar/wine.py", "import json", "probe.cellar.wine is in no room"),
        ("lab/cluster.py", "from probe.wire import tls", "the lab imports probe.wire.tls"),
        ("lab/cluster.py", "from probe import judge", "the lab imports probe.judge"),
    ],
)
def test_each_wrong_direction_is_found(
    tmp_path: Path, place: str, source: str, expected: str
) -> None:
    """The twin that must fail: one wrong line in an otherwise empty tree."""
    path = tmp_path / place
    path.parent.mkdir(parents=True)
    path.write_text(source, "utf-8")
    (found,) = violations(tmp_path)
    assert found.startswith(f"{place}:")
    assert expected in found


@pytest.mark.parametrize(
    ("place", "source"),
    [
        ("probe/judge/trust.py", "from datetime import datetime\nfrom . import names"),
        ("probe/judge/clients/reactions.py", "x = files('probe').joinpath('y').read_text()"),
        ("probe/observe/web.py", "import asyncio\nfrom probe.wire import tls"),
        ("probe/__init__.py", "from probe.judge import assess"),
        ("lab/cluster.py", "from probe.wire import radius, eap\nimport socket"),
    ],
)
def test_the_right_direction_is_left_alone(tmp_path: Path, place: str, source: str) -> None:
    path = tmp_path / place
    path.parent.mkdir(parents=True)
    path.write_text(source, "utf-8")
    assert violations(tmp_path) == []
