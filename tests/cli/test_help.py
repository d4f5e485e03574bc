"""Help appears at once and names what there is; the public surface is imported when it is used."""

import re
import subprocess
import sys
from importlib import import_module
from importlib.metadata import version
from pathlib import Path

import click
import pytest

import probe as package
from lab.cluster import Cluster
from lab.scenario import Scenario
from probe.assessment import Verdict
from probe.cli.main import COMMANDS
from tests.cli.acting import WITH_SECRET, Probe
from tests.cli.conftest import ROOT

HEAVY = (
    "asyncio",
    "cryptography",
    "dns",
    "icalendar",
    "msgspec",
    "OpenSSL",
    "platformdirs",
    "pyrad",
    "rich",
    "sqlite3",
    "tomllib",
)


def loaded_after(code: str) -> set[str]:
    script = f"import sys\n{code}\nsys.stderr.write('\\n'.join(sys.modules))"
    done = subprocess.run(
        [sys.executable, "-c", script],
        env={"PYTHONPATH": str(ROOT)},
        capture_output=True,
        encoding="utf-8",
        check=True,
    )
    return set(done.stderr.splitlines())


def test_help_imports_nothing_heavy() -> None:
    loaded = loaded_after("from probe.cli.main import main\nassert main(['--help']) == 0")
    assert not loaded & set(HEAVY)
    ours = {name for name in loaded if name.split(".")[0] == "probe"}
    assert ours == {"probe", "probe.cli", "probe.cli.failure", "probe.cli.main", "probe.version"}


NOT_FOR_ONE_NODE = {
    "certifi",  # its machinery of package files; the roots themselves are read
    "click.shell_completion",
    "email.message",
    "http.client",
    "icalendar",
    "idna",
    "importlib.metadata",
    "importlib.resources",
    "jinja2",
    "json",
    "multiprocessing",
    "platformdirs",
    "probe.complaint",
    "probe.drafting",
    "probe.due",
    "probe.history.store",
    "probe.jobs.node",
    "probe.manual",
    "probe.rehearsal",
    "prometheus_client",
    "sqlite3",
    "urllib.request",
}
"""What a run does without, where nothing is wrong and nothing else is asked of it."""

FORMATS = {
    "json": {"rich", "probe.report.terminal", "probe.report.page", "probe.report.metrics"},
    "terminal": {
        "probe.report.document",
        "probe.report.metrics",
        "probe.report.page",
        "probe.report.terminal.agenda",
        "probe.report.terminal.bundle",
        "probe.report.terminal.complaint",
        "probe.report.terminal.past",
        "probe.report.terminal.rehearsal",
        "rich.live",
        "rich.progress",
        "rich.traceback",
    },
}


@pytest.mark.parametrize("form", FORMATS)
def test_one_node_imports_what_it_needs_alone(form: str, tmp_path: Path) -> None:
    """Start-up is imports, so this is how long a verdict takes, without a clock."""
    with Cluster(Scenario.load("healthy-cluster"), directory=tmp_path) as lab:
        command = ["cluster", str(lab.plan_path), "--node", "quay3", "--history", "off", "--quiet"]
        command += ["--format", form, "--output", str(tmp_path / "report")]
        loaded = loaded_after(
            f"import os\nos.environ.update({WITH_SECRET!r})\n"
            f"from probe.cli.main import main\nassert main({command!r}) == 0"
        )
    assert (tmp_path / "report").stat().st_size
    assert not loaded & (NOT_FOR_ONE_NODE | FORMATS[form])


def test_help_lists_the_commands_there_are(probe: Probe) -> None:
    ended = probe("--help")
    assert ended.status == 0
    for name, line in COMMANDS.items():
        assert f"{name} " in ended.stdout
        assert line in ended.stdout
    files = {path.stem for path in (ROOT / "probe/cli").glob("*.py")}
    assert set(COMMANDS) <= files


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_its_help(probe: Probe, name: str) -> None:
    command = import_module(f"probe.cli.{name}").command
    assert isinstance(command, click.Command)
    ended = probe(name, "--help")
    assert ended.status == 0
    for parameter in command.params:
        if isinstance(parameter, click.Option):
            assert parameter.help, parameter.name
            assert parameter.opts[0] in ended.stdout


@pytest.mark.parametrize("name", COMMANDS)
def test_the_options_of_every_command_end_alike(probe: Probe, name: str) -> None:
    shown = probe(name, "--help").stdout
    lines = [line.split()[0] for line in shown.splitlines() if line.startswith("  --")]
    assert lines[-2:] == ["--debug", "--help"]
    assert max(map(len, shown.splitlines())) <= 80


def test_help_of_tolerate_names_every_verdict(probe: Probe) -> None:
    said = " ".join(probe("bundle", "--help").stdout.split())
    words = said.partition("that still exits 0: ")[2].partition(". --")[0]
    assert words.replace(" (default) or", ",") == ", ".join(one.word for one in Verdict)
    command = import_module("probe.cli.bundle").command
    (tolerate,) = (one for one in command.params if one.name == "tolerate")
    assert f"{tolerate.default.word} (default)" in words


def test_no_command_is_wrong_use(probe: Probe) -> None:
    assert probe().status == 2


def test_the_version_is_told(probe: Probe) -> None:
    assert probe("--version").stdout == f"probe {version('cluster-probe')}\n"


def test_the_rules_are_listed_and_one_is_told(probe: Probe) -> None:
    ended = probe("rules")
    assert ended.status == 0
    assert "web-expired" in ended.stdout
    one = probe("rules", "eap-expired")
    assert one.stdout.startswith("eap-expired\n")
    assert "RFC 5280, 6.1.3" in one.stdout


@pytest.mark.parametrize(
    ("rule", "felt"),
    [
        ("cluster-join-untrusted", "Other nodes: blocked"),
        ("cluster-name-uncovered", "Captive-portal browsers: warned"),
        ("eap-half-renewed", "Android 802.1X, set up by hand: warned"),
        ("eap-root-differs", "Linux 802.1X, set up by profile: blocked"),
        ("web-expired", "Other nodes: blocked"),
    ],
)
def test_who_feels_a_rule_is_told(probe: Probe, rule: str, felt: str) -> None:
    assert felt in " ".join(probe("rules", rule).stdout.split())


def test_the_package_imports_nothing_of_itself() -> None:
    loaded = loaded_after("import probe")
    assert {name for name in loaded if name.startswith("probe.")} == set()


@pytest.mark.parametrize("name", package.__all__)
def test_every_public_name_is_there(name: str) -> None:
    assert callable(getattr(package, name))
    assert name in dir(package)


def test_other_names_are_not_there() -> None:
    with pytest.raises(AttributeError, match="no attribute 'plans'"):
        _ = package.plans  # type: ignore[attr-defined]  # that is the point
    assert Path(package.__file__).parent == ROOT / "probe"


def test_the_judge_can_be_called_whoever_imported_its_room_before() -> None:
    """A package and a function of one name: both ways in lead to the same call."""
    for first in ("", "import probe.judge.assess\n"):
        loaded_after(
            f"{first}import probe, datetime\nfrom probe import judge\n"
            "assert judge is probe.judge\n"
            "try:\n    judge(None, None, at=datetime.datetime(2027, 4, 1))\n"
            "except ValueError as error:\n    assert 'zone' in str(error)\n"
            "else:\n    raise AssertionError"
        )


def test_every_status_is_told_wherever_they_are_listed(probe: Probe) -> None:
    """Signals have 128 and their number: 2, 15 and 1 (signal(7))."""
    listed = [(ROOT / "README.md").read_text("utf-8").partition("## Exit status\n")[2]]
    verdicts = (ROOT / "probe" / "manual" / "verdicts.md").read_text("utf-8")
    listed += [verdicts.partition("## The exit status\n")[2], probe("--help").stdout]
    for text in listed:
        words = set(re.findall(r"\d+", text.partition("\n## ")[0]))
        assert {"0", "1", "2", "4", "130", "143", "129", "70"} <= words
