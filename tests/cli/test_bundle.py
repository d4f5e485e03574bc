"""`probe bundle`, on files by the openssl command, and its own word on what is written."""

import json
import stat
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from probe.report.schema.generate import path as schema_path
from tests.certificate.makes import PASSWORD, World, forget, openssl
from tests.certificate.makes import world as made
from tests.cli.acting import WITH_SECRET, Ended, Listener, Probe
from tests.cli.test_terminal import on_terminal

PLAN = """
name = "Northpier"
clients = ["linux-eap", {{ family = "apple-eap", setup = "by-hand" }}]
[trust]
eap = ["{root}"]
[eap]
expected_names = ["leaf.northpier.example"]
[[node]]
name = "quay1"
host = "quay1.northpier.example"
addresses = ["192.0.2.11"]
[[node]]
name = "quay2"
host = "quay2.northpier.example"
addresses = ["192.0.2.12"]
"""

IN_ENVIRONMENT = {"BUNDLE_PASSWORD": PASSWORD}


@pytest.fixture(scope="module")
def world() -> Iterator[World]:
    yield made()
    forget()


@pytest.fixture
def eap_plan(tmp_path: Path, world: World) -> Path:
    path = tmp_path / "plan.toml"
    path.write_text(PLAN.format(root=world.path("root.pem")))
    return path


@pytest.fixture
def pfx(tmp_path: Path, world: World) -> Path:
    path = tmp_path / "radius.p12"
    path.write_bytes(world.pkcs12())
    return path


def document(ended: Ended) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(ended.stdout)
    schema = json.loads(schema_path("probe-bundle/1").read_text("utf-8"))
    Draft202012Validator(schema).validate(found)
    return found


def rules(ended: Ended) -> list[str]:
    return [finding["rule"] for finding in document(ended)["findings"]]


def fingerprints(path: Path) -> list[str]:
    """Return the SHA-256 of each certificate in a PEM file, by openssl."""
    blocks = path.read_bytes().split(b"-----END CERTIFICATE-----\n")[:-1]
    return [
        openssl(
            "x509", "-noout", "-fingerprint", "-sha256", given=b"%s-----END CERTIFICATE-----" % b
        )
        .decode()
        .partition("=")[2]
        .strip()
        .replace(":", "")
        .lower()
        for b in blocks
    ]


@pytest.mark.usefixtures("eap_plan")
def test_a_bundle_by_openssl_is_sound_and_its_password_comes_from_the_environment(
    probe: Probe, pfx: Path
) -> None:
    ended = probe(
        "bundle",
        pfx,
        "--password-env",
        "BUNDLE_PASSWORD",
        "--format",
        "json",
        environment=IN_ENVIRONMENT,
    )
    assert (ended.status, ended.stderr) == (0, "")
    found = document(ended)
    assert (found["verdict"], found["findings"], found["notes"]) == ("sound", [], [])
    assert found["nodes"] == ["quay1", "quay2"]
    assert [world["meant"] for world in found["meant_for"]] == [False, True]
    assert found["key"]["present"] is True
    assert found["key"]["fits"] is True
    assert found["files"][0]["kind"] == "PKCS#12"
    assert [one["from"] for one in found["authorities"]] == ["bundle", "bundle"]
    assert found["authorities"][-1]["trusted"] is True
    assert found["chain"][0] == found["leaf"]


@pytest.mark.usefixtures("eap_plan")
def test_a_password_comes_from_an_owner_only_file(probe: Probe, pfx: Path, tmp_path: Path) -> None:
    word = tmp_path / "word"
    word.write_text(PASSWORD + "\n")
    word.chmod(0o600)
    assert probe("bundle", pfx, "--password-file", word).status == 0
    word.chmod(0o644)
    ended = probe("bundle", pfx, "--password-file", word)
    assert (ended.status, ended.stdout) == (2, "")
    assert "open to others" in ended.stderr


@pytest.mark.usefixtures("eap_plan")
def test_each_file_that_needs_a_password_takes_the_next_one(
    probe: Probe, world: World, pfx: Path, tmp_path: Path
) -> None:
    """The chain in the middle needs none."""
    key = tmp_path / "second.key"
    key.write_bytes(
        openssl("pkcs8", "-topk8", "-in", world.path("leaf.key"), "-passout", "pass:second")
    )
    both = {**IN_ENVIRONMENT, "SECOND": "second"}
    named = ("--password-env", "BUNDLE_PASSWORD", "--password-env", "SECOND")
    files = (pfx, world.path("issuers.pem"), key)
    assert probe("bundle", *files, *named, environment=both).status == 0
    swapped = ("--password-env", "SECOND", "--password-env", "BUNDLE_PASSWORD")
    ended = probe("bundle", *files, *swapped, "--format", "json", environment=both)
    assert ended.status == 4
    assert set(rules(ended)) == {"bundle-unreadable"}


@pytest.mark.usefixtures("eap_plan")
@pytest.mark.parametrize(
    ("password", "trouble"), [("wrong", "password-wrong"), (None, "password-missing")]
)
def test_without_the_right_password_nothing_is_claimed(
    probe: Probe, pfx: Path, password: str | None, trouble: str
) -> None:
    named = () if password is None else ("--password-env", "WRONG")
    ended = probe("bundle", pfx, *named, "--format", "json", environment={"WRONG": password or ""})
    assert ended.status == 4
    found = document(ended)
    assert [one["trouble"] for one in found["files"][0]["problems"]] == [trouble]
    assert [(one["rule"], one["verdict"]) for one in found["findings"]] == [
        ("bundle-unreadable", "unseen")
    ]
    assert found["leaf"] is None


@pytest.mark.usefixtures("eap_plan")
def test_a_file_that_is_cut_off_is_damaged(probe: Probe, pfx: Path) -> None:
    octets = pfx.read_bytes()
    pfx.write_bytes(octets[: len(octets) // 2])
    ended = probe("bundle", pfx, "--format", "json")
    assert ended.status == 1
    (problem,) = document(ended)["files"][0]["problems"]
    assert problem["trouble"] == "damaged"


@pytest.mark.usefixtures("eap_plan")
def test_old_encryption_is_advised(probe: Probe, world: World, tmp_path: Path) -> None:
    path = tmp_path / "old.p12"
    old = ("-certpbe", "PBE-SHA1-3DES", "-keypbe", "PBE-SHA1-3DES", "-macalg", "sha1")
    path.write_bytes(world.pkcs12(*old))
    named = ("--password-env", "BUNDLE_PASSWORD")
    ended = probe("bundle", path, *named, "--format", "json", environment=IN_ENVIRONMENT)
    assert ended.status == 0
    assert rules(ended) == ["bundle-old-encryption"]
    assert probe("bundle", path, *named, "--tolerate", "sound", environment=IN_ENVIRONMENT).status


@pytest.mark.usefixtures("eap_plan")
def test_what_is_written_is_verified_by_openssl_and_holds_no_key(
    probe: Probe, world: World, pfx: Path, tmp_path: Path
) -> None:
    chain, roots = tmp_path / "chain.pem", tmp_path / "roots"
    written = ("--write-chain", chain, "--write-roots", roots)
    named = ("--password-env", "BUNDLE_PASSWORD")
    ended = probe("bundle", pfx, *named, *written, "--format", "json", environment=IN_ENVIRONMENT)
    assert ended.status == 0
    found = document(ended)
    assert fingerprints(chain) == found["chain"][:2], "leaf and issuing CA, and no root"
    first, second = sorted(roots.iterdir())
    assert {fingerprints(first)[0], fingerprints(second)[0]} == {
        one["certificate"] for one in found["authorities"]
    }
    assert first.name.startswith("northpier-issuing-")
    leaf = tmp_path / "leaf.pem"
    leaf.write_bytes(world.der_text("leaf"))
    openssl("verify", "-CAfile", world.path("root.pem"), "-untrusted", str(chain), str(leaf))
    for path in (chain, first, second):
        assert b"PRIVATE" not in path.read_bytes()


@pytest.mark.usefixtures("eap_plan")
def test_a_chain_that_is_not_whole_is_not_written(
    probe: Probe, world: World, tmp_path: Path
) -> None:
    chain = tmp_path / "chain.pem"
    chain.write_text("as it was")
    files = (world.path("leaf.pem"), world.path("leaf.key"))
    ended = probe("bundle", *files, "--write-chain", chain, "--format", "json")
    assert ended.status == 1
    assert rules(ended) == ["bundle-chain-incomplete"]
    assert "CN=Northpier Issuing is not at hand" in ended.stderr
    assert chain.read_text() == "as it was"


@pytest.mark.usefixtures("eap_plan")
def test_a_request_by_openssl_alone_and_with_its_certificate(probe: Probe, world: World) -> None:
    request = ("--request", world.path("leaf.csr"))
    assert probe("bundle", *request).status == 0
    files = (world.path("leaf.pem"), world.path("issuers.pem"))
    ended = probe("bundle", *files, *request, "--format", "json")
    assert (ended.status, rules(ended)) == (0, [])
    assert document(ended)["request"]["matches"] is True
    ended = probe("bundle", *files, "--format", "json")
    assert (ended.status, rules(ended)) == (1, ["bundle-no-key"])
    ended = probe("bundle", *files, "--request", world.path("other.csr"), "--format", "json")
    assert (ended.status, rules(ended)) == (1, ["bundle-key-differs"])
    assert document(ended)["request"]["matches"] is False


@pytest.mark.usefixtures("eap_plan")
def test_the_key_of_another_certificate(probe: Probe, world: World) -> None:
    files = (world.path("leaf.pem"), world.path("issuers.pem"), world.path("other.key"))
    ended = probe("bundle", *files, "--format", "json")
    assert (ended.status, rules(ended)) == (1, ["bundle-key-differs"])


@pytest.mark.usefixtures("eap_plan")
@pytest.mark.parametrize("form", ["terminal", "json"])
def test_neither_key_nor_password_is_shown(
    probe: Probe, world: World, pfx: Path, tmp_path: Path, form: str
) -> None:
    """The key is looked for by the lines of its PEM and by its octets in hex."""
    out, chain = tmp_path / "out", tmp_path / "chain.pem"
    named = ("--password-env", "BUNDLE_PASSWORD", "--format", form)
    files = (pfx, world.path("leaf.key"))
    said = probe("bundle", *files, *named, "--debug", environment=IN_ENVIRONMENT)
    kept = probe(
        "bundle",
        *files,
        *named,
        "--output",
        out,
        "--write-chain",
        chain,
        environment=IN_ENVIRONMENT,
    )
    whole = said.stdout + said.stderr + kept.stdout + kept.stderr
    whole += out.read_text() + chain.read_text()
    assert PASSWORD not in whole
    lines = Path(world.path("leaf.key")).read_text().splitlines()[1:-1]
    assert not [line for line in lines if line in whole]
    der = openssl("pkey", "-in", world.path("leaf.key"), "-outform", "DER")
    assert der[-32:].hex() not in whole.lower()


def test_nobody_is_asked_and_no_secret_is_needed(
    probe: Probe, world: World, plan: Path, listener: Listener
) -> None:
    files = (world.path("leaf.pem"), world.path("issuers.pem"), world.path("leaf.key"))
    ended = probe("bundle", *files, "--plan", plan)
    assert ended.status == 1, "the plan's EAP trusts public roots alone"
    assert not listener.heard()
    assert WITH_SECRET


def test_without_a_plan(probe: Probe, world: World) -> None:
    files = (world.path("leaf.pem"), world.path("issuers.pem"), world.path("leaf.key"))
    ended = probe("bundle", *files, "--format", "json")
    assert ended.status == 1
    found = document(ended)
    assert (found["plan"], found["nodes"], found["coverage"]) == (None, [], [])
    assert "--plan" in ended.stderr
    assert probe("bundle", *files, "--quiet").stderr == ""


@pytest.mark.usefixtures("eap_plan")
@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ([], "name a FILE"),
        (["nowhere.p12"], "does not exist"),
        (["."], "is no regular file"),
        (["radius.p12", "--node", "quay9"], "quay9 is no node of the plan"),
        (["radius.p12", "--plan", "nowhere.toml"], "nowhere.toml"),
        (["radius.p12", "--for", "radsec"], "'radsec' is not one of"),
        (["radius.p12", "--write-chain", "radius.p12"], "a file that is to be read"),
        (["radius.p12", "--output", "radius.p12"], "a file that is to be read"),
        (["radius.p12", "--output", "x", "--write-chain", "x"], "the same file"),
        (["radius.p12", "--password-file", "w", "--write-chain", "w"], "is to be read"),
        (["radius.p12", "--history", "h", "--write-chain", "./h"], "is to be read"),
        (["radius.p12", "--write-chain", "no/where.pem"], "no such file"),
        (["radius.p12", "--write-roots", "no/where"], "no such file"),
        (["radius.p12", "--write-roots", "radius.p12"], "exists"),
        (["radius.p12", "--password-env", "NOT_SET"], "NOT_SET is not set"),
        (["radius.p12", "--request", "nowhere.csr"], "does not exist"),
        (["radius.p12", "--from", "nowhere.survey"], "nowhere.survey"),
        (["radius.p12", "--history", "plan.toml"], "no history of this tool"),
    ],
)
def test_what_makes_no_sense(probe: Probe, pfx: Path, arguments: list[str], words: str) -> None:
    before = pfx.read_bytes()
    ended = probe("bundle", *arguments)
    assert (ended.status, ended.stdout) == (2, "")
    assert words in ended.stderr.lower() or words in ended.stderr
    assert pfx.read_bytes() == before


def test_a_password_that_nobody_needs_is_not_looked_for(
    probe: Probe, eap_plan: Path, world: World
) -> None:
    files = (world.path("leaf.pem"), world.path("issuers.pem"), world.path("leaf.key"))
    assert probe("bundle", *files, "--plan", eap_plan, "--password-env", "NOT_SET").status == 0


def test_a_history_without_a_plan_makes_no_sense(probe: Probe, world: World) -> None:
    ended = probe("bundle", world.path("leaf.pem"), "--history", "runs.sqlite")
    assert (ended.status, ended.stdout) == (2, "")
    assert "there is no plan" in ended.stderr


@pytest.mark.usefixtures("eap_plan")
def test_a_history_that_cannot_be_read_is_told(probe: Probe, world: World, tmp_path: Path) -> None:
    """Its twin, where there is none, is silent: nobody has asked yet."""
    files = (world.path("leaf.pem"), world.path("issuers.pem"), world.path("leaf.key"))
    environment = {"XDG_DATA_HOME": str(tmp_path / "data")}
    silent = probe("bundle", *files, environment=environment)
    assert (silent.status, silent.stderr) == (0, "")
    own = tmp_path / "data" / "cluster-probe" / "history.sqlite"
    own.parent.mkdir(parents=True, exist_ok=True)
    own.write_text("no history")
    told = probe("bundle", *files, environment=environment)
    assert (told.status, own.read_text()) == (0, "no history")
    assert "it is no history of this tool; nothing is compared with it" in told.stderr


@pytest.mark.usefixtures("eap_plan")
def test_a_request_in_place_of_a_bundle_is_pointed_to_its_option(
    probe: Probe, world: World
) -> None:
    ended = probe("bundle", world.path("leaf.csr"), "--format", "json")
    (finding,) = document(ended)["findings"]
    assert "holds a certificate request" in finding["says"]
    assert "goes with --request" in finding["remedy"]


def test_for_eap_needs_eap_in_the_plan(probe: Probe, world: World, tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    path.write_text('name = "N"\n[[node]]\nname = "quay1"\nhost = "quay1.northpier.example"\n')
    ended = probe("bundle", world.path("leaf.pem"), "--for", "eap")
    assert (ended.status, ended.stdout) == (2, "")
    assert "the plan has no [eap]" in ended.stderr


@pytest.mark.usefixtures("eap_plan")
def test_a_huge_file_and_a_pipe_are_refused(probe: Probe, tmp_path: Path) -> None:
    huge = tmp_path / "huge.p12"
    with huge.open("wb") as file:
        file.truncate(1 << 33)
    ended = probe("bundle", huge)
    assert ended.status == 2
    assert "larger than" in ended.stderr


@pytest.mark.usefixtures("eap_plan")
def test_files_are_written_for_their_owner_as_the_umask_says(
    probe: Probe, pfx: Path, tmp_path: Path
) -> None:
    """What was there before keeps its mode."""
    chain = tmp_path / "chain.pem"
    chain.touch()
    chain.chmod(0o600)
    named = ("--password-env", "BUNDLE_PASSWORD", "--write-chain", chain)
    assert probe("bundle", pfx, *named, environment=IN_ENVIRONMENT).status == 0
    assert stat.S_IMODE(chain.stat().st_mode) == 0o600


@pytest.mark.usefixtures("eap_plan")
def test_a_password_is_asked_for_on_the_terminal_without_echo(pfx: Path) -> None:
    plain = {"LC_ALL": "C.UTF-8"}
    with on_terminal(["bundle", pfx.name, "--format", "json"], pfx.parent, plain) as terminal:
        terminal.read_until("Password of radius.p12: ")
        assert not terminal.echoes()
        terminal.type(PASSWORD)
        text = terminal.read_all()
    assert terminal.status == 0
    assert PASSWORD not in text
    assert '"fits": true' in text
