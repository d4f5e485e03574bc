"""Whatever is wrong with the input: one clear message on stderr, status 2, and nothing is sent."""

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.cli.acting import SECRET, WITH_SECRET, Ended, Listener, Probe


def check(ended: Ended, *words: str) -> None:
    assert ended.status == 2, ended
    assert ended.stdout == ""
    assert ended.stderr.startswith("probe: ")
    assert "Traceback" not in ended.stderr
    assert SECRET not in ended.stderr
    for word in words:
        assert word in ended.stderr


@pytest.fixture(autouse=True)
def nothing_is_sent(listener: Listener) -> Iterator[None]:
    yield
    assert not listener.heard()


def test_no_plan_where_one_is_looked_for(probe: Probe) -> None:
    done = probe("cluster")
    check(done)
    assert done.stderr == (
        "probe: there is no plan.toml: name a plan, or let probe draft make one\n"
    )


def test_a_plan_that_is_a_folder(probe: Probe, tmp_path: Path) -> None:
    check(probe("cluster", tmp_path), "is no regular file")


@pytest.mark.skipif(os.geteuid() == 0, reason="root reads everything")
def test_a_plan_that_cannot_be_read(probe: Probe, plan: Path) -> None:
    plan.chmod(0)
    check(probe("cluster", plan), "permission denied")


def test_a_malformed_plan_is_one_line_with_the_place(probe: Probe, plan: Path) -> None:
    plan.write_text('name = "x"\nnode = oops\n')
    done = probe("cluster", plan, environment=WITH_SECRET)
    check(done, "line 2, column 8")
    assert done.stderr.count("\n") == 1


def test_a_contradictory_plan_tells_all_at_once(probe: Probe, plan: Path) -> None:
    with plan.open("a") as file:
        file.write(
            'group = "harbour"\neap.port = 0\n[[service]]\nname = "g.example"\nnodes = ["x"]'
        )
    done = probe("cluster", plan, environment=WITH_SECRET)
    check(
        done,
        "3 problems",
        "\n  node[1].eap.port (quay1): 0 is out of range",
        "\n  node[1].group (quay1): harbour is no group of the plan",
        "\n  service[1].nodes[1] (g.example): x is no node of the plan",
    )


@pytest.mark.parametrize("command", [["cluster", "--node", "quay9"], ["node", "quay9"]])
def test_an_unknown_node(probe: Probe, plan: Path, command: list[str]) -> None:
    check(
        probe(*command, environment=WITH_SECRET),
        "quay9 is no node of the plan",
        "did you mean quay1",
    )


def test_a_missing_secret(probe: Probe, process: Probe, plan: Path) -> None:
    for run in (probe, process):
        check(
            run("cluster", plan),
            "the environment variable NORTHPIER_RADIUS is not set\n"
            "  --only dns,web looks at what needs none\n",
        )
        assert "--only" not in run("cluster", plan, "--only", "eap").stderr


def test_a_plan_without_a_secret_says_what_to_write(probe: Probe, plan: Path) -> None:
    plan.write_text(plan.read_text().replace("secret = ", "# secret = "))
    check(probe("cluster", plan), "the plan names no RADIUS secret for quay1", "--only dns,web")


def test_a_literal_secret_is_not_repeated(probe: Probe, plan: Path) -> None:
    text = plan.read_text().replace('{ environment = "NORTHPIER_RADIUS" }', f'"{SECRET}"')
    plan.write_text(text)
    check(probe("cluster", plan), "eap.secret: a secret itself does not stand in a plan")


def test_a_secret_to_be_asked_for_without_a_terminal(probe: Probe, plan: Path) -> None:
    text = plan.read_text().replace('environment = "NORTHPIER_RADIUS"', "ask = true")
    plan.write_text(text)
    check(probe("cluster", plan), "no terminal to ask on")


def test_a_secret_file_that_others_can_read(probe: Probe, plan: Path, tmp_path: Path) -> None:
    kept = tmp_path / "radius.secret"
    kept.write_text(SECRET)
    kept.chmod(0o644)
    text = plan.read_text().replace('environment = "NORTHPIER_RADIUS"', 'file = "radius.secret"')
    plan.write_text(text)
    check(probe("cluster", plan), "radius.secret", "is open to others")


def test_an_unreadable_root(probe: Probe, plan: Path) -> None:
    plan.write_text(plan.read_text().replace('eap = ["public"]', 'eap = ["root.pem"]'))
    check(probe("cluster", plan, environment=WITH_SECRET), "trust.eap[1]", "root.pem", "not exist")


@pytest.mark.parametrize("option", ["--output", "--save"])
def test_a_file_that_cannot_be_written(
    probe: Probe, plan: Path, tmp_path: Path, option: str
) -> None:
    def run(place: Path) -> Ended:
        return probe("cluster", plan, option, place, environment=WITH_SECRET)

    check(run(tmp_path / "none" / "report"), option, "no such file or directory")
    check(run(tmp_path), option, "is a directory")
    check(run(plan / "report"), option, "not a directory")


def test_a_saved_survey_that_is_none(probe: Probe, plan: Path, tmp_path: Path) -> None:
    check(probe("cluster", plan, "--from", tmp_path / "none"), "none: no such file or directory")
    check(probe("cluster", plan, "--from", plan), "not a saved survey")
    later = tmp_path / "later"
    later.write_text('{"format": "probe-survey/2"}')
    check(probe("cluster", plan, "--from", later), "probe-survey/2")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--at", "yesterday"], "'yesterday' is no time"),
        (["--at", "2027-02-30"], "is no time"),
        (["--at", "2027-04-01T10:00:00"], "is no time"),
        (["--at", "20270401"], "is no time"),
        (["--at", "9999-12-31"], "is no time"),
        (["--only", "dns,wbe"], "'wbe' is none of"),
        (["--only", ""], "is none of"),
        (["--only", "radsec"], "nothing to ask"),
        (["--tolerate", "fine"], "'fine' is none of blocked, warned"),
        (["--format", "paper"], "'paper' is not one of"),
        (["--history", "plan.toml"], "--history plan.toml: it is no history of this tool"),
        (["--history", "x", "--save", "x"], "--save names a file that is to be read"),
        (["--output", "plan.toml"], "--output names a file that is to be read"),
        (["--from", "x", "--output", "./x"], "--output names a file that is to be read"),
        (["--expect", "key.pem", "--output", "key.pem"], "a file that is to be read"),
        (
            ["--expect", "key.pem", "--password-file", "word", "--save", "word"],
            "a file that is to be read",
        ),
        (["--frobnicate"], "No such option"),
        (["--show-agenda", "--from", "x"], "--from sends nothing"),
        (["--show-agenda", "--save", "x"], "--save"),
        (["--show-agenda", "--format", "json"], "--format terminal"),
        (["--output", "x", "--save", "x"], "the same file"),
        (["more", "words"], "unexpected extra argument"),
    ],
)
def test_options_that_make_no_sense(
    probe: Probe,
    plan: Path,  # it is found in the folder
    arguments: list[str],
    words: str,
) -> None:
    octets = plan.read_bytes()
    check(probe("cluster", "plan.toml", *arguments, environment=WITH_SECRET), words)
    assert plan.read_bytes() == octets


def test_no_output_takes_the_place_of_what_is_read(probe: Probe, plan: Path) -> None:
    """A link to a key, a password or a plan is one, too."""
    (plan.parent / "link").symlink_to(plan)
    for command in (("cluster", plan), ("node", "quay1", plan), ("due", plan)):
        check(probe(*command, "--output", "link"), "--output names a file that is to be read")
    check(probe("past", "--plan", plan, "--output", "link"), "--output names a file")


def test_no_command_shows_what_there_is_and_nothing_before_it(probe: Probe) -> None:
    ended = probe()
    assert (ended.status, ended.stdout) == (2, "")
    assert ended.stderr == probe("--help").stdout


def test_unknown_commands_and_rules(probe: Probe) -> None:
    check(probe("frobnicate"), "probe: frobnicate is no command\n")
    check(probe("clustre"), "probe: clustre is no command, did you mean cluster?\n")
    check(probe("rules", "web-expird"), "web-expird is no rule, did you mean web-expired?")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["quay_1..northpier.example"], "empty label"),
        (["quay1.northpier.example:0"], "from 1 to 65535"),
        (["quay1.northpier.example:"], "from 1 to 65535"),
        (["https://quay1.northpier.example/"], "is no host"),
        (["quay1.northpier.example", "--roots", "x"], "say --eap too"),
        (["quay1.northpier.example", "--expected-name", "x"], "say --eap too"),
        (["quay1.northpier.example", "--eap", "--roots", "x"], "x: the file does not exist"),
        (["quay1.northpier.example", "--eap", "--expected-name", "a b"], "no host name has"),
        (["quay1.northpier.example", "--eap"], "no terminal to ask on"),
    ],
)
def test_a_host_without_a_plan(probe: Probe, arguments: list[str], words: str) -> None:
    check(probe("node", *arguments), words)


def test_what_a_plan_says_is_not_said_twice(probe: Probe, plan: Path) -> None:
    check(probe("node", "quay1", plan, "--eap"), "for a host without a plan")
