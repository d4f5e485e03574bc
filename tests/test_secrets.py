"""Secrets are planted, everything that comes out is kept, and they are looked for in all of it."""

import base64
import os
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import quote

import pytest

from lab.cluster import Cluster
from lab.scenario import Scenario
from lab.toml import to_toml

VARIABLE = "NORTHPIER_RADIUS"
PROBE = (str(Path(sys.executable).with_name("probe")),)
WITHIN = 60.0
WRITTEN_DOWN = "written-down-for-all-to-read"

BUG = """\
import hmac
import sys

def broken(secret: bytes, *_: object, **__: object) -> None:
    raise RuntimeError(f"a bug, forced, that tells {secret!r} and {secret.decode()}")

hmac.digest = broken
from probe.cli.main import run
sys.exit(run())
"""
"""Breaks the library call that is given the secret, in the worst way, then runs the command."""

BROKEN = (sys.executable, "-c", BUG)


LOGIN_VARIABLE = "NORTHPIER_LOGIN"
PASSWORD = "moored-at-berth-11-by-night"  # noqa: S105  # made up: planted, and looked for

LOGIN_BUG = """\
import sys
from OpenSSL import SSL
from cryptography.hazmat.primitives import serialization

def broken(*given: object, **__: object) -> None:
    raise RuntimeError(f"a bug, forced, that tells {given!r}")

SSL.Connection.sendall = broken
serialization.load_pem_private_key = broken
from probe.cli.main import run
sys.exit(run())
"""
"""Breaks the calls that are given the password inside TLS, and the client's key."""

LOGIN_BROKEN = (sys.executable, "-c", LOGIN_BUG)


def spellings(secret: bytes) -> set[bytes]:
    """Return the forms in which a secret might slip out."""
    text = secret.decode("ascii")
    return {
        secret,
        repr(text)[1:-1].encode(),
        quote(text).encode(),
        secret.hex().encode(),
        secret.hex().upper().encode(),
        secret.hex(":").encode(),
        base64.b64encode(secret).rstrip(b"="),
        base64.urlsafe_b64encode(secret).rstrip(b"="),
        secret[:12],
        secret[-12:],
    }


def found_in(kept: dict[str, bytes], secret: bytes) -> set[str]:
    """Return the names of what holds the secret in any spelling."""
    return {name for name, what in kept.items() if any(form in what for form in spellings(secret))}


@pytest.fixture(scope="module")
def lab(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cluster]:
    directory = tmp_path_factory.mktemp("secrets") / "lab"
    with Cluster(Scenario.load("healthy-cluster"), directory=directory) as cluster:
        yield cluster


@pytest.fixture(params=["environment", "file"])
def plan(request: pytest.FixtureRequest, lab: Cluster) -> Path:
    """The lab's plan, with its secret taken from the environment or from the lab's file."""
    if request.param == "file":
        return lab.plan_path
    document = tomllib.loads(lab.plan_path.read_text("utf-8"))
    document["eap"]["secret"] = {"environment": VARIABLE}
    path = lab.plan_path.with_name("by-environment.toml")
    path.write_text(to_toml(document), "utf-8")
    return path


def run(
    home: Path, *arguments: str | Path, secret: bytes, program: tuple[str, ...] = PROBE
) -> tuple[int, dict[str, bytes]]:
    """Run a command in an empty folder; return its status and everything that it left."""
    home.mkdir()
    done = subprocess.run(
        [*program, *arguments],
        cwd=home,
        env={
            "PATH": os.defpath,
            "HOME": str(home),
            VARIABLE: secret.decode("ascii"),
            LOGIN_VARIABLE: PASSWORD,
        },
        stdin=subprocess.DEVNULL,
        capture_output=True,
        check=False,
        timeout=WITHIN,
    )
    kept = {str(path): path.read_bytes() for path in home.rglob("*") if path.is_file()}
    return done.returncode, kept | {"stdout": done.stdout, "stderr": done.stderr}


@pytest.mark.parametrize(
    ("arguments", "files"),
    [
        (["--format", "terminal"], set()),
        (["--format", "terminal", "--debug"], set()),
        (["--format", "json", "--save", "survey.json"], {"survey.json"}),
        (["--format", "json", "--output", "report.json"], {"report.json"}),
        (["--format", "metrics", "--output", "probe.metrics"], {"probe.metrics"}),
        (["--format", "page", "--output", "page.html"], {"page.html"}),
        (["--show-agenda"], set()),
    ],
    ids=["terminal", "debug", "json-and-survey", "output", "metrics", "page", "agenda"],
)
def test_no_output_holds_the_secret(
    tmp_path: Path, lab: Cluster, plan: Path, arguments: list[str], files: set[str]
) -> None:
    home = tmp_path / "home"
    status, kept = run(home, "cluster", plan, *arguments, secret=lab.secret)
    assert status == 0, kept["stderr"]
    assert {str(home / name) for name in files} <= kept.keys()
    assert found_in(kept, lab.secret) == set()


@pytest.mark.parametrize(
    "arguments", [(), ("--format", "json"), ("--show-agenda",), ("--debug",)], ids=str
)
def test_no_answer_to_a_complaint_holds_the_secret(
    tmp_path: Path, lab: Cluster, plan: Path, arguments: tuple[str, ...]
) -> None:
    """A server's log may hold it, too, and more that is nobody's business."""
    log = lab.plan_path.with_name("radius.log")
    log.write_text(
        f"secret {lab.secret.decode()}\n"
        f"ERROR: (TLS) Alert read:fatal:unknown CA {lab.secret.decode()}\n",
        "utf-8",
    )
    told = ("complaint", plan, "--saw", "unknown_ca", "--on-wifi", "--server-log", log)
    _, kept = run(tmp_path / "home", *told, *arguments, secret=lab.secret)
    assert b"unknown_ca" in kept["stdout"] or "--show-agenda" in arguments, kept["stderr"]
    assert found_in(kept, lab.secret) == set()


@pytest.mark.parametrize(
    ("scenario", "tried"),
    [
        ("eap-fragments-lost", "smaller-replies"),
        ("eap-silent-known", "status-server"),
        ("eap-unsigned-accepted", "Access-Challenge"),
    ],
)
def test_nothing_that_is_tried_shows_the_secret(tmp_path: Path, scenario: str, tried: str) -> None:
    """In depth, and after failures."""
    home = tmp_path / "home"
    with Cluster(Scenario.load(scenario), directory=tmp_path / "lab") as lab:
        look = "node", "quay3", lab.plan_path, "--only", "eap", "--unsigned"
        _, kept = run(home, *look, "--debug", "--save", "survey.json", secret=lab.secret)
    assert tried.encode() in kept[str(home / "survey.json")]
    assert found_in(kept, lab.secret) == set()


def test_no_traceback_holds_the_secret(tmp_path: Path, lab: Cluster, plan: Path) -> None:
    """`--debug` shows the traceback of a bug that puts the secret into its own message."""
    status, kept = run(
        tmp_path / "home", "cluster", plan, "--debug", secret=lab.secret, program=BROKEN
    )
    assert status == 70
    assert b"a bug, forced, that tells" in kept["stderr"]
    assert b"Traceback" in kept["stderr"]
    assert found_in(kept, lab.secret) == set()


def test_a_bug_is_told_plainly_without_debug(tmp_path: Path, lab: Cluster, plan: Path) -> None:
    status, kept = run(tmp_path / "home", "cluster", plan, secret=lab.secret, program=BROKEN)
    assert status == 70
    assert b"Traceback" not in kept["stderr"]
    assert found_in(kept, lab.secret) == set()


def test_a_wrong_secret_is_not_shown_either(tmp_path: Path, lab: Cluster) -> None:
    document = tomllib.loads(lab.plan_path.read_text("utf-8"))
    document["eap"]["secret"] = {"environment": VARIABLE}
    document["limits"] = {"radius_first_wait": 0.1, "radius_silence": 0.5}
    path = tmp_path / "plan.toml"
    (tmp_path / "pki").symlink_to(lab.directory / "pki")
    path.write_text(to_toml(document), "utf-8")
    wrong = b"a-wrong-secret-from-another-pier"
    status, kept = run(tmp_path / "home", "cluster", path, "--only", "eap", secret=wrong)
    assert status == 4, kept["stderr"]
    assert found_in(kept, wrong) == set()


def test_a_secret_written_into_the_plan_is_refused_and_not_repeated(
    tmp_path: Path, lab: Cluster
) -> None:
    document = tomllib.loads(lab.plan_path.read_text("utf-8"))
    document["eap"]["secret"] = WRITTEN_DOWN
    path = tmp_path / "plan.toml"
    (tmp_path / "pki").symlink_to(lab.directory / "pki")
    path.write_text(to_toml(document), "utf-8")
    status, kept = run(tmp_path / "home", "cluster", path, secret=b"not-used-here")
    assert status == 2
    assert b"eap.secret" in kept["stderr"]
    assert found_in(kept, WRITTEN_DOWN.encode()) == set()


def test_a_file_that_others_can_read_is_refused_and_not_repeated(
    tmp_path: Path, lab: Cluster
) -> None:
    document = tomllib.loads(lab.plan_path.read_text("utf-8"))
    document["eap"]["secret"] = {"file": "open.secret"}
    path = lab.plan_path.with_name("open.toml")
    path.write_text(to_toml(document), "utf-8")
    secret = path.with_name("open.secret")
    secret.write_bytes(b"left-on-the-gangway-for-all")
    secret.chmod(0o644)
    status, kept = run(tmp_path / "home", "cluster", path, secret=b"not-used-here")
    assert status == 2
    assert b"open.secret" in kept["stderr"]
    assert found_in(kept, b"left-on-the-gangway-for-all") == set()


# ---------------------------------------------------------------- of a login


def login_plan(lab: Cluster, **login: object) -> Path:
    """Return the lab's plan with a test account, whose password the environment has."""
    document = tomllib.loads(lab.plan_path.read_text("utf-8"))
    by_account = {
        "method": "EAP-TTLS",
        "inner": "PAP",
        "account": "ferryman@northpier.example",
        "password": {"environment": LOGIN_VARIABLE},
    }
    document["login"] = login or by_account
    path = lab.plan_path.with_name("with-login.toml")
    path.write_text(to_toml(document), "utf-8")
    return path


def by_certificate(lab: Cluster) -> tuple[Path, bytes]:
    """Return a plan with a test certificate, and what makes up its key."""
    issued = lab.issued("web@quay1")
    lab.plan_path.with_name("device.pem").write_bytes(issued.pem)
    key = lab.plan_path.with_name("device.key")
    key.touch(mode=0o600)
    key.write_bytes(issued.key_pem)
    secret = b"".join(issued.key_pem.split(b"\n")[1:-2])
    return login_plan(lab, certificate="device.pem", key={"file": "device.key"}), secret


LOG_IN = ("--only", "eap", "--repeat", "1", "--login")


@pytest.mark.parametrize("inner", ["PAP", "MSCHAPv2"])
@pytest.mark.parametrize(
    "arguments",
    [
        ["--debug"],
        ["--format", "json", "--save", "survey.json"],
        ["--format", "json", "--output", "report.json"],
        ["--show-agenda"],
    ],
    ids=["debug", "json-and-survey", "output", "agenda"],
)
def test_no_output_of_a_login_holds_the_password(
    tmp_path: Path, lab: Cluster, arguments: list[str], inner: str
) -> None:
    plan = login_plan(
        lab,
        method="EAP-TTLS",
        inner=inner,
        account="ferryman@northpier.example",
        password={"environment": LOGIN_VARIABLE},
    )
    before = len(lab.radius["quay1"].heard.inside)
    status, kept = run(
        tmp_path / "home", "node", "quay1", plan, *LOG_IN, *arguments, secret=lab.secret
    )
    assert status == 0, kept["stderr"]
    sent = 0 if "--show-agenda" in arguments else 1
    assert len(lab.radius["quay1"].heard.inside) == before + sent
    assert found_in(kept, PASSWORD.encode()) == set()
    assert found_in(kept, lab.secret) == set()


def test_no_output_of_a_login_holds_the_key(tmp_path: Path, lab: Cluster) -> None:
    plan, key = by_certificate(lab)
    before = len(lab.radius["quay1"].heard.certificates)
    arguments = ("--format", "json", "--save", "survey.json", "--debug")
    status, kept = run(
        tmp_path / "home", "node", "quay1", plan, *LOG_IN, *arguments, secret=lab.secret
    )
    assert status == 0, kept["stderr"]
    assert len(lab.radius["quay1"].heard.certificates) == before + 1
    assert found_in(kept, key) == set()


@pytest.mark.parametrize("how", ["password", "key"])
def test_no_traceback_of_a_login_holds_its_secret(tmp_path: Path, lab: Cluster, how: str) -> None:
    if how == "key":
        plan, secret = by_certificate(lab)
    else:
        plan, secret = login_plan(lab), PASSWORD.encode()
    status, kept = run(
        tmp_path / "home",
        *("node", "quay1", plan, *LOG_IN, "--debug"),
        secret=lab.secret,
        program=LOGIN_BROKEN,
    )
    assert status == 70
    assert b"a bug, forced, that tells" in kept["stderr"]
    assert b"Traceback" in kept["stderr"]
    assert b"(hidden)" in kept["stderr"]
    assert found_in(kept, secret) == set()


# ---------------------------------------------------------------- of RadSec


@pytest.fixture(scope="module")
def radsec_lab(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cluster]:
    directory = tmp_path_factory.mktemp("secrets") / "radsec"
    with Cluster(Scenario.load("healthy-radsec"), directory=directory) as cluster:
        yield cluster


def radsec_key(lab: Cluster) -> bytes:
    """Return what makes up the key that the plan has for RadSec."""
    return b"".join((lab.directory / "radsec.key").read_bytes().split(b"\n")[1:-2])


@pytest.mark.parametrize(
    "arguments",
    [
        ["--debug"],
        ["--format", "json", "--save", "survey.json"],
        ["--show-agenda"],
    ],
    ids=["debug", "json-and-survey", "agenda"],
)
def test_no_output_of_radsec_holds_the_key(
    tmp_path: Path, radsec_lab: Cluster, arguments: list[str]
) -> None:
    only = ("--only", "radsec", *arguments)
    plan, secret = radsec_lab.plan_path, radsec_lab.secret
    status, kept = run(tmp_path / "home", "node", "quay1", plan, *only, secret=secret)
    assert status == 0, kept["stderr"]
    assert (b"Access-Accept" in kept["stdout"]) is ("--show-agenda" not in arguments)
    assert found_in(kept, radsec_key(radsec_lab)) == set()
    assert found_in(kept, secret) == set()


def test_no_traceback_of_radsec_holds_the_key(tmp_path: Path, radsec_lab: Cluster) -> None:
    status, kept = run(
        tmp_path / "home",
        *("cluster", radsec_lab.plan_path, "--only", "radsec", "--debug"),
        secret=radsec_lab.secret,
        program=LOGIN_BROKEN,
    )
    assert status == 70
    assert b"a bug, forced, that tells" in kept["stderr"]
    assert b"(hidden)" in kept["stderr"]
    assert found_in(kept, radsec_key(radsec_lab)) == set()


def test_the_search_finds_a_secret_that_is_there(lab: Cluster) -> None:
    """The twin that must fail: each spelling is found in the midst of other text."""
    for form in spellings(lab.secret):
        assert found_in({"log": b"before " + form + b" after"}, lab.secret) == {"log"}
    assert found_in({"log": b"before and after"}, lab.secret) == set()
