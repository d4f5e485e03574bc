"""Scenario files: a mistake in one is told in one sentence, with its place."""

from pathlib import Path

import pytest

from lab.cluster import Cluster
from lab.scenario import Scenario, ScenarioError, known

SOUND = """
title = "A test"
domain = "northpier.example"
nodes = ["quay1"]

[trust]
public = ["root"]

[web]
chains = [["root"]]

[certificate.root]
common_name = "A root"
"""


def read(folder: Path, text: str) -> Scenario:
    path = folder / "test.toml"
    path.write_text(text, "utf-8")
    return Scenario.read(path)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('title = "A test"', "", "missing required field `title`"),
        ('title = "A test"', "title = 7", "Expected `str`, got `int` - at `$.title`"),
        ('title = "A test"', "title = ", "is no TOML"),
        ('title = "A test"', 'titel = "A test"', "unknown field `titel`"),
        ('["quay1"]', "[]", "there is no node"),
        ('chains = [["root"]]', 'chains = [["leaf"]]', "names a certificate 'leaf'"),
        ('chains = [["root"]]', "chains = [[]]", "names a certificate ''"),
        ('chains = [["root"]]', "chains = []", "names a certificate ''"),
        (
            'chains = [["root"]]',
            'chains = [["root"]]\nfault = "tired"',
            "Invalid enum value 'tired'",
        ),
        ("[trust]", "[eap]\nchains = []\nfragment_size = 5000\n[trust]", "`int` <= 3900"),
        ("[trust]", '[node.quay7]\nhost = "x"\n[trust]', "[node.quay7] is not among the nodes"),
        ('common_name = "A root"', 'key = "RSA-12"', "unknown key 'RSA-12'"),
        ('common_name = "A root"', 'purposes = ["fun"]', "unknown purpose 'fun'"),
        ('common_name = "A root"', 'key_usage = ["fun"]', "unknown key usage 'fun'"),
        ('common_name = "A root"', 'issuer = "nobody"', "names a certificate 'nobody'"),
        ("[web]", '[service."a.example"]\nnodes = ["quay7"]\n[web]', "a node 'quay7'"),
        ('title = "A test"', 'based_on = "nothing"', "nothing.toml cannot be read"),
        ('title = "A test"', 'based_on = "test"', "is based on itself"),
    ],
)
def test_a_mistake_is_told(tmp_path: Path, old: str, new: str, says: str) -> None:
    assert read(tmp_path, SOUND).title == "A test"
    with pytest.raises(ScenarioError) as caught:
        read(tmp_path, SOUND.replace(old, new))
    assert says in str(caught.value)
    assert "\n" not in str(caught.value).strip()


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('issuer = "root"', "issue each other in a circle: root -> root"),
        ("begins = 3\nends = 2", "'root' ends before it begins"),
    ],
)
def test_a_certificate_that_cannot_be_made_is_told(tmp_path: Path, text: str, says: str) -> None:
    scenario = read(tmp_path, SOUND + text)
    with pytest.raises(ScenarioError, match=says):
        Cluster(scenario, directory=tmp_path).__enter__()


def test_an_unknown_scenario_is_told_with_those_that_are_near() -> None:
    with pytest.raises(ScenarioError, match=r"no scenario 'web-expird', did you mean web-expired"):
        Scenario.load("web-expird")


def test_one_based_on_another_changes_what_it_says_and_nothing_else() -> None:
    below, above = Scenario.load("healthy-cluster"), Scenario.load("web-chain-incomplete")
    assert above.node["quay3"].web.chains == (("web",),)
    assert below.node["quay3"].web.chains == (("web", "public-issuing"),)
    for node in ("quay1", "quay2"):
        assert above.node[node] == below.node[node]
    assert above.node["quay3"].eap == below.node["quay3"].eap
    assert above.certificate == below.certificate


def test_every_scenario_says_what_is_wrong_in_words() -> None:
    for name in known():
        text = (Path(Scenario.read.__code__.co_filename).parent / "scenarios").joinpath(
            f"{name}.toml"
        )
        assert text.read_text("utf-8").startswith("# ")
