"""`probe draft` as a command: what it refuses before anything is sent, and never replaces."""

from pathlib import Path

import pytest

from tests.cli.acting import SECRET, Listener, Probe


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ((), "name the hosts of the nodes"),
        (("192.0.2.1",), "192.0.2.1 is no host name, nor NAME:PORT"),
        (("quay1.example:http",), "a port is a number"),
        (("a.example", "--eap", "--secret-env", "NAME"), "three ways: name one"),
        (("a.example", "--secret-env", "NORTHPIER_RADIUS"), "NORTHPIER_RADIUS is not set"),
        (("a.example", "--resolver", "nowhere"), "--resolver nowhere"),
        (("a.example", "--resolver", "=192.0.2.1"), "the view before = has no name"),
        (("a.example", "--nodes", "none.csv"), "none.csv: the file does not exist"),
        (("a.example", "--profile", "none.xml"), "no profile that can be read"),
        (("a.example", "--expected-name", "a b"), "--expected-name cannot be used"),
        (("a.example", "--output", "plan.toml"), "--output plan.toml is there already"),
        (("a.example", "--output", "none/plan.toml"), "--output none/plan.toml: no such file"),
        (("--check", "plan.toml", "--follow"), "only names can be given besides"),
        (("--check", "plan.toml", "--output", "plan.toml"), "names a file that is to be read"),
        (("--check", "none.toml"), "none.toml: the file does not exist"),
    ],
)
def test_wrong_use_is_refused_before_anything_is_sent(
    probe: Probe, plan: Path, listener: Listener, arguments: tuple[str, ...], says: str
) -> None:
    before = plan.read_bytes()
    ended = probe("draft", *arguments)
    assert (ended.status, ended.stdout) == (2, "")
    assert says in ended.stderr
    assert plan.read_bytes() == before
    assert not listener.heard()


def test_no_input_is_replaced(probe: Probe, tmp_path: Path) -> None:
    (tmp_path / "nodes.csv").write_text("host\nquay1.northpier.example\n")
    secret = tmp_path / "secret"
    secret.write_text(SECRET)
    secret.chmod(0o600)
    for options in (("--nodes", "nodes.csv"), ("--secret-file", "secret")):
        ended = probe("draft", "quay1.northpier.example", *options, "--output", options[1])
        assert ended.status == 2
        assert "names a file that is to be read" in ended.stderr
    assert secret.read_text() == SECRET


def test_a_secret_stands_in_no_draft(probe: Probe, tmp_path: Path) -> None:
    """It is named by its variable. Nobody answers here, so a sheet says where the node is."""
    (tmp_path / "nodes.csv").write_text("host,addresses\nquay1.northpier.example,127.0.0.1\n")
    ended = probe(
        "draft",
        *("--nodes", "nodes.csv", "--secret-env", "NORTHPIER_RADIUS", "--quiet"),
        *("--resolver", "127.0.0.1:1", "--web-port", "1", "--eap-port", "1"),
        environment={"NORTHPIER_RADIUS": SECRET},
    )
    assert ended.status == 4
    assert ended.stderr == ""
    assert 'secret = { environment = "NORTHPIER_RADIUS" }' in ended.stdout
    assert SECRET not in ended.stdout


def test_what_is_wrong_with_a_file_stands_on_lines_of_its_own(probe: Probe, tmp_path: Path) -> None:
    rows = "".join(f"quay{n}.northpier.example,\x1b[2Jeverywhere\n" for n in range(30))
    (tmp_path / "nodes.csv").write_text(f"host,addresses\n{rows}")
    told = probe("draft", "--nodes", "nodes.csv").stderr.splitlines()
    assert [line[:17] for line in told[:2]] == ["probe: nodes.csv:", "  line 3, address"]
    assert (len(told), told[-1]) == (21, "  and 10 more")
    assert all(line.isprintable() for line in told)

    (tmp_path / "odd.xml").write_text("<a")
    told = probe("draft", "a.example", "--profile", "odd.xml").stderr.splitlines()
    families = ["  apple-eap", "  windows-eap", "  linux-eap"]
    assert [line.partition(":")[0] for line in told[1:]] == families

    told = probe("draft", "a.example", "--profile", "none.xml").stderr.splitlines()
    assert told[1:] == ["  none.xml: the file does not exist"]
