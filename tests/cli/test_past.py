"""`probe past` on histories that runs of literal surveys have left."""

import json
from pathlib import Path

import pytest

from probe.history.store import Store
from probe.observation.model import fingerprint
from tests.cli.acting import Listener, Probe
from tests.history.makes import DAY, PLAN, renewed, survey
from tests.judge.pki import AT
from tests.judge.world import web_chain

NEW = renewed()


@pytest.fixture
def kept(tmp_path: Path) -> Path:
    """Three days of a plan, the certificate of quay2 renewed on the second, and another plan."""
    path = tmp_path / "runs.sqlite"
    with Store.open(path) as store:
        store.add(survey(0), PLAN.name)
        store.add(survey(1, web={"quay2": NEW}), PLAN.name)
        store.add(survey(2, web={"quay2": NEW}), PLAN.name)
        store.add(survey(3), "another plan")
    return path


def document(probe: Probe, *arguments: str | Path) -> dict[str, object]:
    ended = probe("past", "--format", "json", *arguments)
    assert (ended.status, ended.stderr) == (0, "")
    found: dict[str, object] = json.loads(ended.stdout)
    return found


def test_runs_changes_and_sightings(probe: Probe, kept: Path) -> None:
    ended = probe("past", "--history", kept)
    assert (ended.status, ended.stderr) == (0, "")
    assert ended.stdout.startswith("Runs that are kept, the latest first\n  4     2026-11-28 ")
    assert "What changed" not in ended.stdout, "the last run is another plan's first"
    ended = probe("past", "--history", kept, "--between", "2", "1")
    assert "What changed from run 1 to run 2\n  quay2 serves over HTTPS the cert" in ended.stdout


def test_a_plan_confines_it_to_its_runs(probe: Probe, kept: Path, plan: Path) -> None:
    """The plan file of these tests has another name: its own run is the only one."""
    with Store.open(kept) as store:
        store.add(survey(4), "Northpier")
    found = document(probe, "--history", kept, "--plan", plan)
    assert found["plan"] == "Northpier"
    assert [run["id"] for run in found["runs"]] == [5]  # type: ignore[attr-defined]  # plain JSON


def test_first_and_last_sight_of_one_certificate(probe: Probe, kept: Path) -> None:
    sha256 = fingerprint(NEW[0])
    shown = ":".join(sha256[i : i + 2] for i in range(0, 64, 2)).upper()
    for word in (sha256[:8], shown):
        found = document(probe, "--history", kept, "--certificate", word)
        assert found["sightings"] == [
            {
                "certificate": sha256,
                "plan": PLAN.name,
                "endpoint": "web",
                "place": "quay2",
                "first": "2026-11-26T12:00:00Z",
                "last": "2026-11-27T12:00:00Z",
            }
        ]
        assert list(found["certificates"]) == [sha256]  # type: ignore[call-overload]  # plain JSON


def test_pruning(probe: Probe, kept: Path) -> None:
    found = document(probe, "--history", kept, "--prune", "2026-11-27")
    assert found["forgotten"] == 2
    assert [run["id"] for run in found["runs"]] == [4, 3]  # type: ignore[attr-defined]  # as above
    assert fingerprint(web_chain()[0]) in found["certificates"]  # type: ignore[operator]  # as above
    assert document(probe, "--history", kept)["forgotten"] is None
    ended = probe("past", "--history", kept, "--prune", (AT + 9 * DAY).isoformat())
    assert ended.stdout == "Forgotten: 2 runs.\n\nNo run is kept.\n"


def test_a_history_that_is_not_there_is_empty_and_not_made(probe: Probe, tmp_path: Path) -> None:
    path = tmp_path / "none.sqlite"
    assert probe("past", "--history", path).stdout == "No run is kept.\n"
    assert probe("past").stdout == "No run is kept.\n"
    assert not path.exists()


def test_an_answer_goes_into_a_file(probe: Probe, kept: Path, tmp_path: Path) -> None:
    ended = probe("past", "--history", kept, "--output", tmp_path / "past.txt")
    assert (ended.status, ended.stdout) == (0, "")
    assert (tmp_path / "past.txt").read_text().startswith("Runs that are kept")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--history", "off"], "leaves nothing to look into"),
        (["--history", "plan.toml"], "plan.toml: it is no history of this tool"),
        (["--between", "1", "99"], "there is no run 99"),
        (["--history", "none", "--between", "1", "2"], "no history yet at none"),
        (["--between", "1"], "requires 2 arguments"),
        (["--certificate", "abcdef0"], "is no SHA-256 fingerprint"),
        (["--certificate", "quay1"], "is no SHA-256 fingerprint"),
        (["--certificate", "0123456789abcdef"], "no certificate was seen whose SHA-256"),
        (["--prune", "last week"], "is no time"),
        (["--plan", "none.toml"], "none.toml"),
        (["--format", "calendar"], "'calendar' is not one of"),
    ],
)
def test_what_makes_no_sense(
    probe: Probe, kept: Path, plan: Path, listener: Listener, arguments: list[str], words: str
) -> None:
    octets = plan.read_bytes()
    ended = probe("past", "--history", kept, *arguments)
    assert (ended.status, ended.stdout) == (2, "")
    assert words in ended.stderr
    assert "Traceback" not in ended.stderr
    assert not listener.heard()
    assert plan.read_bytes() == octets


def test_an_answer_never_takes_the_place_of_the_history(probe: Probe, kept: Path) -> None:
    octets = kept.read_bytes()
    ended = probe("past", "--history", kept, "--output", kept)
    assert (ended.status, ended.stdout) == (2, "")
    assert "--output names a file that is to be read" in ended.stderr
    assert kept.read_bytes() == octets


def test_an_answer_never_takes_the_place_of_the_users_history(
    probe: Probe, kept: Path, tmp_path: Path
) -> None:
    """Where no history is named it is the user's own."""
    own = tmp_path / "data" / "cluster-probe" / "history.sqlite"
    own.parent.mkdir(parents=True)
    octets = kept.read_bytes()
    own.write_bytes(octets)
    environment = {"XDG_DATA_HOME": str(tmp_path / "data")}
    ended = probe("past", "--output", own, environment=environment)
    assert "--output names a file that is to be read" in ended.stderr
    assert own.read_bytes() == octets


def test_a_damaged_history_is_told_and_left_as_it_is(probe: Probe, kept: Path) -> None:
    octets = bytearray(kept.read_bytes())
    octets[4_096:] = b"\xa5" * (len(octets) - 4_096)
    kept.write_bytes(octets)
    ended = probe("past", "--history", kept)
    assert (ended.status, ended.stdout) == (2, "")
    assert ended.stderr == f"probe: the history {kept}: it is damaged\n"
    assert kept.read_bytes() == octets
