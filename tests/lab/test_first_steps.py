"""From three host names and one profile file to a first true report, by what is printed alone."""

import json
import os
import re
import shlex
import subprocess
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import pytest

from lab.cluster import Cluster
from lab.scenario import Scenario
from tests.lab.filling import Drafted, Person, names_of, resolvers, written
from tests.running import PROBE, WITHIN, Result, probe

DAY = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)

PROFILES = """
[profile."staff.mobileconfig"]
family = "apple-eap"
names = ["radius.northpier.example"]
anchors = ["northpier-root"]

[profile."staff.xml"]
family = "windows-eap"
names = ["radius.northpier.example"]
anchors = ["northpier-root"]

[profile."staff.nmconnection"]
family = "linux-eap"
names = ["radius.northpier.example"]
anchors = ["northpier-root"]
"""


@dataclass
class Newcomer:
    """Types commands in one folder, and takes the next one from what was printed."""

    folder: Path
    environment: dict[str, str] = field(default_factory=dict)
    out: str = ""
    err: str = ""

    def type(self, line: str) -> int:
        program, *words = shlex.split(line)
        assert program == "probe"
        done = subprocess.run(
            [PROBE, *words],
            cwd=self.folder,
            env={"PATH": os.defpath, "HOME": str(self.folder), **self.environment},
            stdin=subprocess.DEVNULL,
            capture_output=True,
            check=False,
            encoding="utf-8",
            timeout=WITHIN,
        )
        self.out, self.err = done.stdout, done.stderr
        return done.returncode

    def printed(self, begins: str) -> str:
        """Return the one command that was printed on a line of its own."""
        (line,) = re.findall(rf"^  ({begins} .*)$", self.err, re.MULTILINE)
        return str(line)


@pytest.mark.parametrize(
    ("scenario", "file"),
    [
        ("healthy-root-served", "staff.mobileconfig"),
        ("healthy-root-served", "staff.nmconnection"),
        # This one has a digest of the CA, and not its certificate.
        ("healthy-root-served", "staff.xml"),
        ("eap-expired-one-node", "staff.mobileconfig"),
    ],
)
def test_three_names_and_one_profile_lead_to_a_true_report(
    tmp_path: Path, scenario: str, file: str
) -> None:
    """The healthy cluster is found sound, and its broken twin as its own plan finds it."""
    given = written(tmp_path, f"{scenario}-given", PROFILES, scenario)
    with Cluster(Scenario.read(given), directory=tmp_path / "lab", at=DAY) as lab:
        person = Newcomer(tmp_path)
        assert person.type("probe --help") == 0
        assert re.search(
            r"^  draft +Draft a first plan out of host names", person.out, re.MULTILINE
        )

        # Three names and the profile; the rest is where this cluster of a lab has its servers.
        words = [*names_of(lab), "--profile", f"lab/given/{file}", *resolvers(lab)]
        ports = ["--web-port", "10443", "--eap-port", "11812"]
        assert person.type(shlex.join(["probe", "draft", *words, *ports])) in {0, 4}
        assert person.out.startswith("# A plan that was drafted")

        assert person.type(person.printed("probe draft")) in {0, 4}
        drafted = Drafted(0, person.out, person.err, tmp_path / "plan.toml")
        first = f"{len(drafted.opens)} things to fill in or to confirm, marked OPEN there:"
        assert first in person.err
        look = person.printed("probe cluster")
        filler = Person(lab, tmp_path)
        filler.fill_in(drafted)
        person.environment = filler.environment

        status = person.type(f"{look} --at {DAY.isoformat()} --format json --history off")
        assert status in {0, 1}, person.err
        own = probe(lab.plan_path, "--at", DAY.isoformat())
        found = Result(status, json.loads(person.out), person.err)
        assert found.findings() == own.findings()
        assert found.document["unseen"] == []
        assert status == own.status == (0 if scenario.startswith("healthy") else 1)
        # Its profile counts for its own kind of client.
        assert f'file = "lab/given/{file}"' in drafted.path.read_text("utf-8")
