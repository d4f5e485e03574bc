"""`probe node --login`: when it may be said, what it announces, and what it needs."""

import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from lab.cluster import Cluster
from lab.scenario import Scenario
from lab.toml import to_toml
from probe.jobs import login as job
from tests.cli.acting import WITH_SECRET, Listener, Probe

LOGIN = """
[login]
method = "PEAP"
account = "ferryman@northpier.example"
password = { environment = "NORTHPIER_LOGIN" }
"""


@pytest.fixture(scope="module")
def lab(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cluster]:
    directory = tmp_path_factory.mktemp("login") / "lab"
    with Cluster(Scenario.load("healthy-cluster"), directory=directory) as cluster:
        yield cluster


@pytest.fixture
def whole(lab: Cluster) -> Path:
    """The lab's plan, with an account in it."""
    return planned(lab, {"environment": "NORTHPIER_LOGIN"})


def planned(lab: Cluster, password: dict[str, object]) -> Path:
    document = tomllib.loads(lab.plan_path.read_text("utf-8"))
    document["login"] = {
        "method": "PEAP",
        "account": "ferryman@northpier.example",
        "password": password,
    }
    path = lab.plan_path.with_name("login.toml")
    path.write_text(to_toml(document), "utf-8")
    return path


@pytest.mark.parametrize(
    ("more", "options", "says"),
    [
        ("", (), "--login needs a test account or certificate in the plan: [login] with method"),
        (LOGIN, (), "--login needs eap.expected_names in the plan"),
        (LOGIN, ("--only", "dns,web"), "--login logs in at an EAP endpoint"),
        (LOGIN, ("--from", "x"), "--login logs in, and --from sends nothing"),
    ],
)
def test_what_a_login_needs_is_said_and_nothing_is_sent(
    probe: Probe,
    plan: Path,
    listener: Listener,
    more: str,
    options: tuple[str, ...],
    says: str,
) -> None:
    plan.write_text(plan.read_text() + more)
    ended = probe("node", "quay1", plan, "--login", *options, environment=WITH_SECRET)
    assert ended.status == 2
    assert says in ended.stderr
    assert not listener.heard()


def test_without_a_plan_there_is_nothing_to_log_in_with(probe: Probe) -> None:
    ended = probe("node", "quay1.northpier.example", "--login")
    assert ended.status == 2
    assert "--login is for a plan" in ended.stderr


def test_a_sweep_logs_in_nowhere(probe: Probe, whole: Path) -> None:
    ended = probe("cluster", whole, "--login")
    assert ended.status == 2
    assert "No such option" in ended.stderr


def test_it_is_announced_with_what_may_come_of_it(probe: Probe, lab: Cluster, whole: Path) -> None:
    before = lab.radius["quay1"].opened
    ended = probe("node", "quay1", whole, "--login", "--show-agenda")
    assert (ended.status, ended.stderr) == (0, "")
    said = " ".join(ended.stdout.split())
    assert "one login by PEAP with MSCHAPv2 as ferryman@northpier.example at quay1" in said
    for word in ("lockout", "session table", "licence", "no accounting"):
        assert word in said
    assert lab.radius["quay1"].opened == before
    assert "one login" not in probe("node", "quay1", whole, "--show-agenda").stdout


def test_it_is_not_made_unless_it_is_asked_for(probe: Probe, lab: Cluster, whole: Path) -> None:
    heard = lab.radius["quay1"].heard
    before = heard.finished
    ended = probe("node", "quay1", whole, "--only", "eap", "--repeat", "1")
    assert ended.status == 0
    assert heard.finished == before
    assert "\nLogin\n" not in ended.stdout


def test_a_rejected_login_is_told_twice_and_changes_no_status(
    probe: Probe, lab: Cluster, whole: Path, tmp_path: Path
) -> None:
    """On the page, and beside it, where a page is written into a file."""
    heard = lab.radius["quay2"].heard
    options = ("--only", "eap", "--repeat", "1", "--login", "--save", tmp_path / "kept")
    environment = {"NORTHPIER_LOGIN": "a-password-for-quay2"}
    ended = probe("node", "quay2", whole, *options, environment=environment)
    assert ended.status == 0
    assert "by PEAP with MSCHAPv2: rejected" in ended.stdout
    assert ended.stderr.startswith("probe: the login was rejected: ")
    assert heard.finished == 1
    again = probe("node", "quay2", whole, "--from", tmp_path / "kept")
    assert "by PEAP with MSCHAPv2: rejected" in again.stdout
    assert (again.status, again.stderr, heard.finished) == (0, "", 1)


def test_what_is_typed_is_asked_for_by_its_name_and_only_after_the_look(
    probe: Probe, lab: Cluster, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[tuple[str, int]] = []
    server = lab.radius["quay3"]

    def typed(prompt: str) -> str:
        asked.append((prompt, server.opened))
        return "typed-by-hand"

    monkeypatch.setattr("sys.stdin.isatty", lambda: True, raising=False)
    monkeypatch.setattr("getpass.getpass", typed)
    path = planned(lab, {"ask": True})
    ended = probe("node", "quay3", path, "--only", "eap", "--repeat", "1", "--login")
    assert "rejected" in ended.stdout
    ((prompt, opened),) = asked
    assert prompt == "Password of ferryman@northpier.example: "
    assert 0 < opened == server.opened - 1


def test_an_interrupt_at_the_prompt_loses_nothing_of_the_look(
    probe: Probe, lab: Cluster, monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupted(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(job, "_secret", interrupted)
    path = planned(lab, {"ask": True})
    ended = probe("node", "quay3", path, "--only", "eap", "--repeat", "1", "--login")
    assert ended.status == 130
    assert "What is served" in ended.stdout
    assert "nothing of the credential was sent" in " ".join(ended.stdout.split())
