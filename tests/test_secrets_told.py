"""Secrets that are given to a draft, a complaint or a rehearsal, and everything that comes out."""

import os
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from lab.cluster import Cluster
from tests.cli.test_terminal import on_terminal
from tests.lab.filling import names_of, resolvers
from tests.test_secrets import BROKEN, PROBE, VARIABLE, WITHIN, found_in, lab
from tests.test_secrets_everywhere import LOGIN_VARIABLE, leaked, makes, pkcs12

__all__ = ["lab", "pkcs12"]  # fixtures


@pytest.fixture(scope="module", autouse=True)
def _forget() -> Iterator[None]:
    yield
    makes.forget()


def run(
    home: Path, *arguments: str | Path, program: tuple[str, ...] = PROBE, **variables: str
) -> tuple[int, dict[str, bytes]]:
    """Run a command in a folder; return its status and everything that it left there."""
    before = {path for path in home.rglob("*") if path.is_file()}
    done = subprocess.run(
        [*program, *arguments],
        cwd=home,
        env={"PATH": os.defpath, "HOME": str(home), **variables},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        check=False,
        timeout=WITHIN,
    )
    after = {path for path in home.rglob("*") if path.is_file()} - before
    left = {str(path.relative_to(home)): path.read_bytes() for path in after}
    return done.returncode, left | {"stdout": done.stdout, "stderr": done.stderr}


def drafting(lab: Cluster) -> tuple[str | Path, ...]:
    ports = ("--web-port", "10443", "--eap-port", "11812")
    outputs = ("--output", "drafted.toml", "--write-roots", "roots")
    return ("draft", *names_of(lab), *resolvers(lab), *ports, *outputs)


def conversations(lab: Cluster) -> int:
    return sum(len(server.heard.identities) for server in lab.radius.values())


@pytest.mark.parametrize("way", ["environment", "file"])
def test_no_draft_holds_the_secret_it_was_made_with(tmp_path: Path, lab: Cluster, way: str) -> None:
    kept = tmp_path / "radius.secret"
    if way == "file":
        kept.touch(mode=0o600)
        kept.write_bytes(lab.secret)
        given, variables = ("--secret-file", kept), {}
    else:
        given, variables = ("--secret-env", VARIABLE), {VARIABLE: lab.secret.decode()}
    before = conversations(lab)
    status, left = run(tmp_path, *drafting(lab), *given, **variables)
    assert status == 4, left["stderr"]
    assert conversations(lab) > before, "the secret was used"
    assert b"secret = {" in left["drafted.toml"]
    assert found_in(left, lab.secret) == set()


def test_no_draft_holds_a_secret_that_is_typed(tmp_path: Path, lab: Cluster) -> None:
    before = conversations(lab)
    with on_terminal([*map(str, drafting(lab)), "--eap"], tmp_path, {}) as terminal:
        terminal.read_until("RADIUS shared secret: ")
        terminal.type(lab.secret.decode())
        screen = terminal.read_all()
    assert terminal.status == 4, screen
    assert conversations(lab) > before
    left = {str(path): path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
    assert found_in(left | {"screen": screen.encode()}, lab.secret) == set()


def by_environment(lab: Cluster) -> Path:
    """Return the lab's plan with its secret taken from the environment."""
    plan = lab.plan_path.with_name("told.toml")
    text = lab.plan_path.read_text("utf-8")
    assert 'file = "radius.secret"' in text
    plan.write_text(text.replace('file = "radius.secret"', f'environment = "{VARIABLE}"'), "utf-8")
    return plan


def test_no_bug_in_a_draft_or_complaint_tells_it(tmp_path: Path, lab: Cluster) -> None:
    variables = {VARIABLE: lab.secret.decode()}
    for command in (
        (*drafting(lab), "--secret-env", VARIABLE),
        ("complaint", by_environment(lab), "--saw", "unknown_ca", "--on-wifi"),
    ):
        status, left = run(tmp_path, *command, "--debug", program=BROKEN, **variables)
        assert status == 70, left
        assert b"a bug, forced, that tells" in left["stderr"]
        assert b"Traceback" in left["stderr"]
        assert found_in(left, lab.secret) == set()


def test_no_complaint_holds_what_the_sweep_before_it_was_given(
    tmp_path: Path, lab: Cluster
) -> None:
    """The sweep has the secret; whoever is complained to has its history alone, and a log that
    holds the secret."""
    plan, secret = by_environment(lab), lab.secret.decode()
    history = ("--history", "kept")
    status, _ = run(tmp_path, "cluster", plan, *history, **{VARIABLE: secret})
    assert status == 0
    (tmp_path / "log").write_text(f"ERROR: (TLS) Alert read:fatal:unknown CA {secret}\n{secret}\n")
    told = ("complaint", plan, "--saw", "unknown_ca", "--on-wifi", "--server-log", "log")
    for form in ("terminal", "json"):
        _, left = run(tmp_path, *told, *history, "--format", form)
        assert b"nobody is asked" in left["stderr"]
        assert b"unknown_ca" in left["stdout"]
        left["kept"] = (tmp_path / "kept").read_bytes()
        assert found_in(left, lab.secret) == set()


@pytest.mark.parametrize("form", ["terminal", "json"])
@pytest.mark.parametrize("way", ["environment", "file"])
def test_no_rehearsal_holds_password_or_key(
    tmp_path: Path, lab: Cluster, pkcs12: Path, form: str, way: str
) -> None:
    """Neither of the bundle, nor RADIUS's."""
    if way == "environment":
        given, variables = ("--password-env", LOGIN_VARIABLE), {LOGIN_VARIABLE: makes.PASSWORD}
    else:
        kept = tmp_path / "word"
        kept.touch(mode=0o600)
        kept.write_text(makes.PASSWORD)
        given, variables = ("--password-file", kept), {}
    saved = tmp_path.parent / f"{tmp_path.name}-saved"
    status, _ = run(tmp_path, "cluster", lab.plan_path, "--save", saved)
    assert status == 0
    outputs = ("--output", "report", "--debug", "--format", form)
    rehearse = ("bundle", pkcs12, *given, "--plan", lab.plan_path, "--rehearse", "--from", saved)
    status, left = run(tmp_path, *rehearse, *outputs, **variables)
    assert status in (0, 1, 4), left["stderr"]
    assert left["report"]
    assert leaked(left) == set()
    assert found_in(left, lab.secret) == set()
