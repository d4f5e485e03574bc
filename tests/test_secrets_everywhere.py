"""Every way in for a secret against every way out: all forms of the report, files, the history, the
screen, and the list of processes. `tests/test_secrets.py` has what goes wrong in between."""

import base64
import os
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.serialization import load_pem_private_key

from lab.cluster import Cluster
from lab.toml import to_toml
from probe.history.store import Store
from probe.observation.document import to_json
from probe.report.render import FORMS
from tests.certificate import makes
from tests.cli.acting import SECRET as PLANTED
from tests.cli.acting import Listener
from tests.cli.conftest import ROOT, listener
from tests.cli.test_terminal import on_terminal
from tests.test_secrets import (
    LOGIN_VARIABLE,
    PASSWORD,
    PROBE,
    VARIABLE,
    found_in,
    lab,
    login_plan,
    run,
)

__all__ = ["lab", "listener"]  # fixtures

PKCS12_PASSWORD = makes.PASSWORD.encode()


def unpacked(history: Path) -> bytes:
    """Return the file as it stands, and what comes out of it."""
    with Store.open(history) as store:
        kept = b"".join(to_json(store.survey(each.id)) for each in store.runs())
    assert kept
    return history.read_bytes() + kept


# ---------------------------------------------------------------- a sweep and a login


@pytest.mark.parametrize("way", ["environment", "file"])
@pytest.mark.parametrize("form", FORMS)
def test_no_form_of_the_report_holds_a_secret(
    tmp_path: Path, lab: Cluster, form: str, way: str
) -> None:
    """Two secrets of one login: RADIUS's and the password, each by both ways."""
    plan = login_plan(lab)
    document = tomllib.loads(plan.read_text("utf-8"))
    if way == "environment":
        document["eap"]["secret"] = {"environment": VARIABLE}
    else:
        kept = plan.with_name("login.password")
        kept.touch(mode=0o600)
        kept.write_text(PASSWORD)
        document["login"]["password"] = {"file": "login.password"}
    plan = plan.with_name(f"everywhere-{way}.toml")
    plan.write_text(to_toml(document), "utf-8")
    look = ("node", "quay1", plan, "--only", "eap", "--repeat", "1", "--login", "--debug")
    outputs = ("--output", "report", "--save", "saved", "--history", "kept")
    before = len(lab.radius["quay1"].heard.inside)
    status, left = run(tmp_path / "home", *look, "--format", form, *outputs, secret=lab.secret)
    assert status == 0, left["stderr"]
    assert len(lab.radius["quay1"].heard.inside) == before + 1, "the password was used"
    home = tmp_path / "home"
    assert {str(home / name) for name in ("report", "saved", "kept")} <= left.keys()
    left["history"] = unpacked(home / "kept")
    again = ("node", "quay1", plan, "--only", "eap", "--from", home / "saved", "--format", form)
    _, recalled = run(tmp_path / "again", *again, secret=lab.secret)
    left |= {f"recalled {name}": octets for name, octets in recalled.items()}
    for secret in (lab.secret, PASSWORD.encode()):
        assert found_in(left, secret) == set()


@pytest.mark.parametrize("form", FORMS)
def test_nothing_that_is_typed_comes_out(tmp_path: Path, lab: Cluster, form: str) -> None:
    document = tomllib.loads(lab.plan_path.read_text("utf-8"))
    document["eap"]["secret"] = {"ask": True}
    plan = lab.plan_path.with_name("typed.toml")
    plan.write_text(to_toml(document), "utf-8")
    arguments = ["cluster", str(plan), "--only", "eap", "--format", form, "--debug"]
    outputs = ["--save", "saved", "--history", "kept"]
    with on_terminal([*arguments, *outputs], tmp_path, {}) as terminal:
        terminal.read_until("RADIUS shared secret: ")
        terminal.type(lab.secret.decode())
        text = terminal.read_all()
    assert terminal.status == 0, text
    left = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    left |= {"screen": text.encode(), "history": unpacked(tmp_path / "kept")}
    assert found_in(left, lab.secret) == set()


# ---------------------------------------------------------------- files of certificates and keys


def key_forms(key: bytes) -> set[bytes]:
    """Return the forms in which a private number may slip out: raw, in hexadecimal, and in base64
    wherever it begins in what is encoded."""
    forms = {key, key.hex().encode(), key.hex().upper().encode(), key.hex(":").encode()}
    for before in range(3):
        encoded = base64.b64encode(bytes(before) + key)
        forms.add(encoded[4 if before else 0 : -4])
    return forms


@pytest.fixture
def pkcs12(tmp_path: Path) -> Path:
    path = tmp_path / "node.p12"
    path.write_bytes(makes.world().pkcs12("-iter", "1"))
    return path


@pytest.fixture(scope="module", autouse=True)
def _forget() -> Iterator[None]:
    yield
    makes.forget()


def leaked(left: dict[str, bytes], *, password: bytes = PKCS12_PASSWORD) -> set[str]:
    """Return what holds the password, or the private number of the key."""
    pem = Path(makes.world().path("leaf.key")).read_bytes()
    numbers = load_pem_private_key(pem, None).private_numbers()
    number = numbers.private_value if hasattr(numbers, "private_value") else numbers.d
    forms = key_forms(number.to_bytes((number.bit_length() + 7) // 8)) | {password}
    # PEM goes over lines, and in JSON those are written out.
    joined = {
        name: (what, what.replace(b"\n", b"").replace(b"\\n", b"")) for name, what in left.items()
    }
    return {
        name
        for name, whats in joined.items()
        if any(form in what for form in forms for what in whats)
    }


def test_the_search_finds_a_key_that_is_there(pkcs12: Path) -> None:
    """The twin that must fail."""
    key = makes.world().path("leaf.key")
    for form in ("PEM", "DER"):
        assert leaked({"log": makes.openssl("pkey", "-in", key, "-outform", form)}) == {"log"}


@pytest.mark.parametrize("way", ["environment", "file", "unprotected"])
@pytest.mark.parametrize("form", ["terminal", "json"])
def test_no_report_on_a_bundle_holds_password_or_key(
    tmp_path: Path, pkcs12: Path, form: str, way: str
) -> None:
    given: tuple[str | Path, ...] = ()
    if way == "environment":
        given = ("--password-env", LOGIN_VARIABLE)
    elif way == "file":
        kept = tmp_path / "word"
        kept.touch(mode=0o600)
        kept.write_text(makes.PASSWORD)
        given = ("--password-file", kept)
    else:
        pkcs12.write_bytes(Path(makes.world().path("leaf.key")).read_bytes())
    outputs = ("--output", "report", "--write-chain", "chain", "--write-roots", "roots")
    status, left = bundle(tmp_path, pkcs12, *given, "--format", form, "--debug", *outputs)
    assert status in (0, 1), left["stderr"]
    assert str(tmp_path / "home" / "report") in left
    assert leaked(left) == set()
    wrong = {LOGIN_VARIABLE: "another word than that", "NAME": "x"}
    if way == "environment":
        _, left = bundle(tmp_path, pkcs12, *given, "--debug", home="wrong", **wrong)
        assert b"password" in left["stdout"]
        assert leaked(left, password=wrong[LOGIN_VARIABLE].encode()) == set()


def bundle(
    folder: Path, file: Path, *arguments: str | Path, home: str = "home", **environment: str
) -> tuple[int, dict[str, bytes]]:
    place = folder / home
    place.mkdir()
    variables = {LOGIN_VARIABLE: makes.PASSWORD, "HOME": str(place), "PATH": os.defpath}
    done = subprocess.run(
        [*PROBE, "bundle", file, *arguments],
        cwd=place,
        env=variables | environment,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        check=False,
        timeout=60,
    )
    left = {str(path): path.read_bytes() for path in place.rglob("*") if path.is_file()}
    return done.returncode, left | {"stdout": done.stdout, "stderr": done.stderr}


def test_no_password_of_a_bundle_that_is_typed_comes_out(tmp_path: Path, pkcs12: Path) -> None:
    with on_terminal(["bundle", str(pkcs12), "--debug"], tmp_path, {}) as terminal:
        terminal.read_until("Password of ")
        terminal.type(makes.PASSWORD)
        text = terminal.read_all()
    assert terminal.status in (0, 1)
    assert leaked({"screen": text.encode()}) == set()


BUG = """
import sys
from probe.certificate.container import derive

def broken(*given, **named):
    if not ({condition}):
        return usual(*given, **named)
    raise RuntimeError(f"a bug, forced, that tells {{given!r}}")

usual = {what}
{what} = broken
from probe.cli.main import run
run()
"""


@pytest.mark.parametrize(
    ("what", "condition", "options"),
    [
        ("derive.hashlib.pbkdf2_hmac", "True", ("-iter", "1")),
        # Its other calls are about salts, which are drawn.
        (
            "derive._filled",
            "len(given[0]) > 4 and not any(given[0][::2])",
            ("-legacy", "-iter", "1"),
        ),
    ],
)
def test_no_traceback_holds_the_password_of_a_bundle(
    tmp_path: Path, what: str, condition: str, options: tuple[str, ...]
) -> None:
    """Old files encode it as UTF-16 first (RFC 7292, B.1), so that is struck out, too."""
    file = tmp_path / "node.p12"
    file.write_bytes(makes.world().pkcs12(*options))
    bug = BUG.format(what=what, condition=condition)
    done = subprocess.run(
        [sys.executable, "-c", bug, "bundle", file, "--password-env", LOGIN_VARIABLE, "--debug"],
        env=os.environ | {"PYTHONPATH": str(ROOT), LOGIN_VARIABLE: makes.PASSWORD},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        check=False,
        timeout=60,
    )
    assert done.returncode == 70, done.stderr
    assert b"a bug, forced, that tells" in done.stderr
    assert PKCS12_PASSWORD not in done.stderr
    assert repr(makes.PASSWORD.encode("utf-16-be"))[2:-1].encode() not in done.stderr
    assert b"(hidden)" in done.stderr


# ---------------------------------------------------------------- plans


@pytest.mark.parametrize(
    "place",
    [
        "eap.secret",
        "login.password",
        "login.key",
        "radsec.key",
        "node.eap.secret",
        "group.eap.secret",
    ],
)
@pytest.mark.parametrize("wrapped", [False, True])
def test_a_secret_that_stands_in_a_plan_is_not_said_again(
    tmp_path: Path, lab: Cluster, place: str, wrapped: bool
) -> None:
    document = tomllib.loads(lab.plan_path.read_text("utf-8"))
    *tables, last = place.split(".")
    at = document
    for table in tables:
        if table in ("node", "group"):
            at = at.setdefault(table, [{"name": "harbour"}])[0]
        else:
            at = at.setdefault(table, {})
    word = "spoken-out-loud-on-the-pier"
    at[last] = {"value": word} if wrapped else word
    plan = lab.plan_path.with_name("literal.toml")
    plan.write_text(to_toml(document), "utf-8")
    status, left = run(tmp_path / "home", "cluster", plan, "--debug", secret=lab.secret)
    assert status == 2
    assert last.encode() in left["stderr"]
    assert found_in(left, word.encode()) == set()


# ---------------------------------------------------------------- processes


@pytest.mark.skipif(not Path("/proc/self/environ").exists(), reason="proc(5) is Linux's")
@pytest.mark.parametrize("way", ["environment", "file", "typed"])
def test_no_list_of_processes_shows_a_secret(tmp_path: Path, way: str, listener: Listener) -> None:
    """While a request is out: arguments of the process, its threads and children, if it had any;
    and its environment, unless that is where the secret was."""
    text = listener.plan.replace("radius_silence = 0.3", "radius_silence = 600")
    if way != "environment":
        reference = "ask = true" if way == "typed" else 'file = "radius.secret"'
        text = text.replace('environment = "NORTHPIER_RADIUS"', reference)
    (tmp_path / "plan.toml").write_text(text)
    kept = tmp_path / "radius.secret"
    kept.touch(mode=0o600)
    kept.write_text(PLANTED)
    variables = {"NORTHPIER_RADIUS": PLANTED} if way == "environment" else {}
    listener.datagrams.settimeout(30)
    with on_terminal(["cluster", "--only", "eap"], tmp_path, variables) as terminal:
        if way == "typed":
            terminal.read_until("RADIUS shared secret: ")
            terminal.type(PLANTED)
        listener.datagrams.recv(65_535)
        proc = Path("/proc") / str(terminal.child)
        children = b"".join(each.read_bytes() for each in proc.glob("task/*/children"))
        seen = {
            str(each): each.read_bytes()
            for name in ("cmdline", "comm", *(() if way == "environment" else ("environ",)))
            for each in (proc / name, *proc.glob(f"task/*/{name}"))
        }
        os.kill(terminal.child, 15)
        screen = terminal.read_all()
    assert children.split() == []
    assert found_in(seen | {"screen": screen.encode()}, PLANTED.encode()) == set()
    assert terminal.status == 143
