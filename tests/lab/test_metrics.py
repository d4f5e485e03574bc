"""Metrics of real runs: what each number says, the JSON of the same run says too."""

import os
import subprocess
from pathlib import Path

import pytest

from lab.cluster import Cluster
from lab.scenario import Scenario
from tests.metrics import expected, numbers, series
from tests.running import PROBE, WITHIN, probe

RADSEC = "healthy-radsec"


def metrics(*arguments: str | Path, directory: Path) -> str:
    done = subprocess.run(
        [PROBE, *arguments, "--format", "metrics", "--history", "off"],
        env={"PATH": os.defpath, "HOME": str(directory)},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        check=False,
        encoding="utf-8",
        timeout=WITHIN,
    )
    assert done.returncode in {0, 1, 4}, done.stderr
    return done.stdout


@pytest.mark.parametrize("scenario", ["northpier-demo", RADSEC])
def test_every_number_of_a_run_is_in_its_json(scenario: str, tmp_path: Path) -> None:
    """A sweep, and a look at one node in depth; no series stands there twice, or the reader fails.

    The JSON is judged from what the run of the metrics saved.
    """
    with Cluster(Scenario.load(scenario), directory=tmp_path) as lab:
        for name, command in (("all", ("cluster",)), ("one", ("node", "quay2"))):
            saved = tmp_path / f"{name}.survey"
            text = metrics(*command, lab.plan_path, "--save", saved, directory=tmp_path)
            found = numbers(text)
            document = probe(lab.plan_path, "--from", str(saved), command=command).document
            assert found == expected(document)
            kinds = {
                dict(labels)["endpoint"] for name, labels in found if name == "handshake_seconds"
            }
            assert kinds == ({"web", "eap", "radsec"} if scenario == RADSEC else {"web", "eap"})


def test_the_demonstration_says_what_is_wrong_where(tmp_path: Path) -> None:
    """By hand, of lab/scenarios/northpier-demo.toml."""
    with Cluster(Scenario.load("northpier-demo"), directory=tmp_path) as lab:
        found = numbers(metrics("cluster", lab.plan_path, directory=tmp_path))
    verdicts = {
        (dict(labels)["node"], dict(labels)["endpoint"]): dict(labels)["endpoint_verdict"]
        for (name, labels), value in found.items()
        if name == "endpoint_verdict" and value == 1
    }
    assert verdicts["quay1", "web"] == verdicts["quay1", "eap"] == "sound"
    assert verdicts["quay2", "eap"] == "blocked"  # its certificate ended two days ago
    assert verdicts["quay3", "web"] == "blocked"  # other nodes fetch no missing certificate
    assert verdicts["quay4", "dns"] == "blocked"  # its record leads to the address before
    assert verdicts["quay4", "eap"] == "unseen"  # it does not know this machine
    silent = series("endpoint_outcome", **eap_at("quay4", "PEAP"), outcome="silent")
    assert [name for name in found if name[0] == silent[0] and set(silent[1]) <= set(name[1])]


def eap_at(node: str, method: str) -> dict[str, str]:
    return {"node": node, "endpoint": "eap", "method": method}
