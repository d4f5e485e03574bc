"""Windows and macOS, as far as that can be told from here: imports, paths and terminals. Nothing
was tried on either (`probe manual install` says so)."""

import ast
import ctypes
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import pytest

from probe.cli import console, files
from probe.history import aside

ROOT = Path(__file__).parents[1]

POSIX_ONLY = (
    *("fcntl", "grp", "posix", "pwd", "readline", "resource", "syslog", "termios", "tty"),
)
"""Modules that Windows lacks (the library reference says so of each)."""

IMPORTS = """
import importlib, pkgutil, sys

def names():
    import probe
    walk = pkgutil.walk_packages(probe.__path__, "probe.")
    return [name for _, name, _ in walk if not name.endswith("__main__")]

every = names()
for name in every:  # what others wrote is imported as it is here
    importlib.import_module(name)
for name in [name for name in sys.modules if name.split(".")[0] == "probe"]:
    del sys.modules[name]
sys.platform = {platform!r}
for name in {missing!r}:
    sys.modules[name] = None  # an import of it fails
for name in every:
    importlib.import_module(name)
from probe.cli.main import main
assert main(["rules", "eap-expired"]) == 0
assert main(["manual"]) == 0
print(len(every))
"""


@pytest.mark.parametrize(("platform", "missing"), [("win32", POSIX_ONLY), ("darwin", ())])
def test_everything_can_be_imported(platform: str, missing: tuple[str, ...]) -> None:
    done = subprocess.run(
        [sys.executable, "-c", IMPORTS.format(platform=platform, missing=missing)],
        cwd=ROOT,
        capture_output=True,
        check=False,
        encoding="utf-8",
    )
    assert done.returncode == 0, done.stderr
    assert int(done.stdout.splitlines()[-1]) > 100


def test_a_module_that_windows_lacks_would_be_found() -> None:
    """The twin that must fail: here one that is imported on purpose."""
    script = IMPORTS.format(platform="win32", missing=("tomllib",))
    done = subprocess.run(
        [sys.executable, "-c", script], cwd=ROOT, capture_output=True, check=False
    )
    assert done.returncode != 0


def text_without_encoding(tree: ast.AST) -> Iterator[int]:
    """Yield lines where text is read or written as the system's own encoding has it."""
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call):
            continue
        called = node.func
        name = called.attr if isinstance(called, ast.Attribute) else getattr(called, "id", "")
        named = {keyword.arg for keyword in node.keywords}
        if name == "read_text" and not node.args and "encoding" not in named:
            yield node.lineno
        if name == "write_text" and len(node.args) < 2 and "encoding" not in named:
            yield node.lineno
        if name == "open" and "encoding" not in named:
            modes = [arg.value for arg in node.args if isinstance(arg, ast.Constant)]
            if any(isinstance(mode, str) and set(mode) <= set("rwxat+") for mode in modes):
                yield node.lineno


def test_text_is_utf_8_whatever_the_system_prefers() -> None:
    found = [
        f"{path.name}:{line}"
        for path in (ROOT / "probe").rglob("*.py")
        for line in text_without_encoding(ast.parse(path.read_text("utf-8")))
    ]
    assert found == []


@pytest.mark.parametrize("line", ["p.read_text()", "p.write_text(x)", "open(p, 'w')"])
def test_text_without_an_encoding_is_found(line: str) -> None:
    assert list(text_without_encoding(ast.parse(line))) == [1]


class Console:
    """Stands for the functions of a Windows console; both return nonzero where they succeed."""

    def __init__(self, *, there: bool, obeys: bool) -> None:
        self.there, self.obeys, self.set_to = there, obeys, 0

    def GetConsoleMode(self, *_: object) -> int:
        return int(self.there)

    def SetConsoleMode(self, _: int, mode: int) -> int:
        self.set_to = mode
        return int(self.obeys)


@pytest.mark.parametrize(
    ("there", "obeys", "colour"),
    [(True, True, True), (True, False, False), (False, True, False)],
)
def test_a_windows_console_gets_colour_only_if_it_acts_on_it(
    there: bool, obeys: bool, colour: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = Console(there=there, obeys=obeys)
    monkeypatch.setattr(ctypes, "windll", SimpleNamespace(kernel32=made), raising=False)
    monkeypatch.setitem(sys.modules, "msvcrt", SimpleNamespace(get_osfhandle=lambda _: 7))
    monkeypatch.setattr(console.sys, "platform", "win32")
    monkeypatch.setattr(sys, "stdout", SimpleNamespace(isatty=lambda: True, fileno=lambda: 1))
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.delenv("TERM", raising=False)
    assert files.colour() is colour
    assert made.set_to == (0x0004 if there else 0)


def test_terminals_elsewhere_are_not_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(console.sys, "platform", "darwin")
    assert console.obeys_escapes()


def test_names_of_files_suit_every_system() -> None:
    """No colon, as times have, and none of the characters that Windows refuses."""
    source = Path(aside.__file__).read_text("utf-8")
    assert '"%Y%m%dT%H%M%SZ"' in source
    for path in (ROOT / "probe").rglob("*"):
        assert not set(path.name) & set('<>:"|?*\\'), path
        assert path.stem.lower() not in {"con", "prn", "aux", "nul"}, path
