"""The public roots are those of the certifi package, wherever it keeps them."""

from importlib.machinery import ModuleSpec
from pathlib import Path

import certifi
import pytest

from probe.plan import pem
from tests.cli.test_help import loaded_after


def test_they_are_what_the_package_says_without_importing_it() -> None:
    roots = pem.public_roots()
    assert (roots.name, roots.version) == ("certifi", certifi.__version__)
    assert roots.certificates == pem.certificates_in(Path(certifi.where()).read_bytes())
    loaded = loaded_after("from probe.plan.pem import public_roots\npublic_roots()")
    assert not loaded & {"certifi", "importlib.resources", "cryptography"}


@pytest.mark.parametrize(
    "files",
    [
        {},
        {"__init__.py": '__version__ = "1.2.3"\n'},
        {"__init__.py": "", "cacert.pem": ""},
        {"__init__.pyc": '__version__ = "1.2.3"\n', "cacert.pem": ""},
    ],
    ids=["nothing", "no file", "no version", "no source"],
)
def test_a_package_that_stands_otherwise_is_asked_itself(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, files: dict[str, str]
) -> None:
    for name, text in files.items():
        (tmp_path / name).write_text(text)
    origin = tmp_path / next(iter(files), "__init__.py")
    spec = ModuleSpec("certifi", None, origin=str(origin))
    monkeypatch.setattr(pem, "find_spec", lambda _: spec)
    assert pem.public_roots() == pem.public_roots()
    assert pem.public_roots().version == certifi.__version__
    assert len(pem.public_roots().certificates) > 100
