"""Not one octet of a credential goes to a server that is not approved of: seen at the server.

The lab's server writes down all that it is told, in the clear and inside TLS. Each test that it has
heard nothing has its twin at a sound server, which hears the credential.
"""

import os
import tomllib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from lab.authority import Blueprint, Workshop
from lab.cluster import Cluster
from lab.eapsite import EapFault, EapSite
from lab.inside import Heard
from lab.radiusserver import RadiusServer
from lab.scenario import Scenario
from lab.tls import Version
from lab.toml import to_toml
from probe import records
from probe.jobs.login import failed, log_in
from probe.jobs.node import scope_of
from probe.jobs.sweep import JobError, Scope, assess, look, questions, secrets_for
from probe.observation.document import from_json, to_json
from probe.observation.model import Endpoint, Handshake, LoginSeen, Outcome, Survey
from probe.plan.model import Plan, SecretRef
from probe.plan.read import load_plan

PASSWORD = "berth-9-tideline-south"  # noqa: S105  # made up: looked for at the server
ACCOUNT = "ferryman@northpier.example"
VARIABLE = "NORTHPIER_LOGIN"
EAP = frozenset({Endpoint.EAP})

LOGINS = {
    "peap": {"method": "PEAP"},
    "ttls-mschapv2": {"method": "EAP-TTLS"},
    "ttls-pap": {"method": "EAP-TTLS", "inner": "PAP"},
    "tls": {"method": "EAP-TLS"},
}
EACH_LOGIN = pytest.mark.parametrize("how", LOGINS)


@dataclass(frozen=True)
class Looked:
    """A node of a lab that was looked at, and is about to be logged in to."""

    plan: Plan
    scope: Scope
    seen: Survey
    secrets: dict[SecretRef, bytes]
    server: RadiusServer
    others: Callable[[str], EapSite]
    """What the EAP server of another node serves."""

    @property
    def heard(self) -> Heard:
        return self.server.heard

    def log_in(self) -> tuple[Survey, Handshake, LoginSeen]:
        """Log in; return everything that is seen, and the login's own part of it."""
        seen = log_in(self.plan, self.seen, self.scope, self.secrets)
        (record,) = (each for each in seen.handshakes if each.login is not None)
        assert record.login is not None
        return seen, record, record.login


def certificate(directory: Path) -> dict[str, object]:
    """Return a plan's [login] by a certificate, as files."""
    (device,) = Workshop(
        (Blueprint("tablet", common_name="tablet.northpier.example", purposes=("client",)),),
        datetime.now(UTC),
    ).chain(("tablet",))
    (directory / "tablet.pem").write_bytes(device.pem)
    key = directory / "tablet.key"
    key.touch(mode=0o600)
    key.write_bytes(device.key_pem)
    return {"certificate": "tablet.pem", "key": {"file": "tablet.key"}}


@contextmanager
def looked_at(
    scenario: str,
    directory: Path,
    how: str,
    *,
    node: str = "quay3",
    serves: Callable[[EapSite], EapSite] | None = None,
    planned: Callable[[dict[str, Any]], object] = lambda _: None,
) -> Iterator[Looked]:
    """Look at one node of a scenario's cluster, by a plan that can log in. `serves` alters what
    its server shows from the beginning, `planned` the plan."""
    with Cluster(Scenario.load(scenario), directory=directory) as lab:
        server = lab.radius[node]
        if serves is not None:
            server.serve(serves(server.site))
        document = tomllib.loads(lab.plan_path.read_text("utf-8"))
        proof: dict[str, object] = {"account": ACCOUNT, "password": {"environment": VARIABLE}}
        document["login"] = {
            **LOGINS[how],
            **(certificate(directory) if how == "tls" else proof),
        }
        planned(document)
        path = directory / "login.toml"
        path.write_text(to_toml(document), "utf-8")
        plan = load_plan(path)
        scope = scope_of(plan, node, EAP, 1, login=True)
        asked = questions(plan, scope)
        secrets: dict[SecretRef, bytes] = dict(secrets_for(plan, asked))
        seen = look(plan, asked, secrets)
        assert server.heard.finished == 0
        assert seen.handshakes
        yield Looked(plan, scope, seen, secrets, server, lambda other: lab.radius[other].site)


@pytest.fixture(autouse=True)
def _password(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(VARIABLE, PASSWORD)


def heard_nothing(heard: Heard) -> bool:
    """Whether a server was told nothing but the outer identity, and saw no handshake finished."""
    outer = b"cert-probe@"
    return (
        not heard.inside
        and not heard.certificates
        and heard.finished == 0
        and all(identity.startswith(outer) for identity in heard.identities)
    )


# ---------------------------------------------------------------- to a sound server


@EACH_LOGIN
@pytest.mark.parametrize("tls", [Version.TLS1_2, Version.TLS1_3])
def test_a_sound_server_gets_the_credential(tmp_path: Path, how: str, tls: Version) -> None:
    with looked_at(
        "healthy-cluster", tmp_path, how, serves=lambda site: replace(site, versions=(tls,))
    ) as at:
        before = len(at.heard.identities)
        seen, record, login = at.log_in()
        heard = at.heard
    assert login.sent is True
    assert login.accepted is False, login
    assert record.outcome is Outcome.SERVED
    assert len(heard.identities) == before + 1, "one attempt, however it ends"
    assert heard.finished == 1
    inside = b"".join(heard.inside)
    if how == "tls":
        assert len(heard.certificates) == 1
    else:
        assert ACCOUNT.encode() in inside
    assert (PASSWORD.encode() in inside) is (how == "ttls-pap")
    assert all(identity.startswith(b"cert-probe@") for identity in heard.identities)
    assert record.question in {question.id for question in seen.questions}
    assert record.question not in seen.unobserved()
    assert (failed(seen) or "").startswith("the login was rejected")


def test_a_login_changes_no_verdict(tmp_path: Path) -> None:
    """What it shows of the server is judged as ever; whether an account may log in is not."""
    with looked_at("healthy-cluster", tmp_path, "peap") as at:
        seen, _, _ = at.log_in()
        alone, after = assess(at.plan, at.seen), assess(at.plan, seen)
    assert (after.verdict, after.findings) == (alone.verdict, alone.findings)
    assert after.complete
    assert after.notes == alone.notes


@pytest.mark.parametrize("scenario", ["healthy-behind-nat", "healthy-two-interfaces"])
def test_a_node_that_is_reached_elsewhere_is_logged_in_to_there(
    tmp_path: Path, scenario: str
) -> None:
    with looked_at(scenario, tmp_path, "ttls-pap") as at:
        _, record, login = at.log_in()
        planned = at.plan.node("quay3").eap_addresses()
    assert login.sent is True
    assert planned == (record.asked.address,)


def test_a_node_without_planned_addresses_is_logged_in_to_where_it_was_found(
    tmp_path: Path,
) -> None:
    """The record has the address, and the survey can be kept."""

    found: list[str] = []

    def found_by_name(document: dict[str, Any]) -> None:
        for node in document["node"]:
            found.extend(node.pop("addresses"))

    with looked_at("healthy-cluster", tmp_path, "ttls-pap", planned=found_by_name) as at:
        seen, record, login = at.log_in()
        (question,) = (each for each in seen.questions if each.id == record.question)
    assert login.sent is True
    assert question.handshake is not None
    assert question.handshake.address is None
    assert record.asked.address == found[-1]
    assert from_json(to_json(seen)) == seen


def test_an_interrupted_look_is_followed_by_no_login(tmp_path: Path) -> None:
    with looked_at("healthy-cluster", tmp_path, "peap") as at:
        broken_off = replace(at, seen=records.replace(at.seen, interrupted=True))
        seen, record, login = broken_off.log_in()
        assert heard_nothing(at.heard)
    assert seen.interrupted
    assert record.outcome is Outcome.NOT_ASKED
    assert login.detail == "interrupted before the login"


# ---------------------------------------------------------------- to none that is not


UNSOUND = [
    ("eap-name-unexpected", "no entry is radius.northpier.example"),
    ("eap-unknown-root", "Dry Dock Test CA"),
    ("eap-key-unproven", "has not proven that it holds the certificate's key"),
    ("eap-self-signed", "issuer"),
    ("eap-expired", "ended"),
    ("eap-not-yet-valid", "begin"),
    ("eap-chain-incomplete", "Network Issuing"),
    ("eap-path-invalid", "Issuing"),
    ("eap-wrong-purpose", "not for server authentication"),
    ("eap-revoked", "eap-revoked"),
    ("eap-malformed", ""),
    ("eap-refused", "no certificate was seen"),
]


@EACH_LOGIN
@pytest.mark.parametrize(("scenario", "why"), UNSOUND, ids=[each[0] for each in UNSOUND])
def test_an_unsound_server_hears_nothing_of_it(
    tmp_path: Path, how: str, scenario: str, why: str
) -> None:
    with looked_at(scenario, tmp_path, how) as at:
        before = len(at.heard.identities)
        seen, record, login = at.log_in()
        heard = at.heard
    assert heard_nothing(heard)
    assert len(heard.identities) == before, "the login is not even begun"
    assert login == LoginSeen(sent=False, detail=login.detail)
    assert record.outcome is Outcome.NOT_ASKED
    assert why in (login.detail or "")
    assert record.question in seen.unobserved()


def test_the_secret_of_a_login_that_is_not_approved_is_not_even_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is not there, and nobody minds."""
    monkeypatch.delenv(VARIABLE)
    with looked_at("eap-unknown-root", tmp_path, "peap") as at:
        _, _, login = at.log_in()
    assert VARIABLE not in (login.detail or "")


def test_a_secret_that_is_not_there_loses_nothing_of_the_look(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv(VARIABLE)
    with looked_at("healthy-cluster", tmp_path, "peap") as at:
        seen, record, login = at.log_in()
        assert heard_nothing(at.heard)
    assert record.outcome is Outcome.NOT_ASKED
    assert VARIABLE in (login.detail or "")
    assert seen.handshakes[:-1] == at.seen.handshakes


@pytest.mark.parametrize("what", ["folder", "pipe", "nothing"])
def test_a_certificate_that_has_gone_since_the_plan_was_read_loses_nothing_of_the_look(
    tmp_path: Path, what: str
) -> None:
    """Nor does the tool wait for what nobody writes, or read without end."""
    with looked_at("healthy-cluster", tmp_path, "tls") as at:
        (tmp_path / "tablet.pem").unlink()
        if what == "folder":
            (tmp_path / "tablet.pem").mkdir()
        elif what == "pipe":
            os.mkfifo(tmp_path / "tablet.pem")
        seen, record, login = at.log_in()
        assert heard_nothing(at.heard)
    assert record.outcome is Outcome.NOT_ASKED
    assert "the certificate of [login]: the file " in (login.detail or "")
    assert seen.handshakes[:-1] == at.seen.handshakes


def test_a_certificate_that_was_good_when_it_was_judged_for_another_time_is_no_approval(
    tmp_path: Path,
) -> None:
    """`--at` is for the report. The credential is sent now, and now the certificate has ended."""
    with looked_at("eap-expired", tmp_path, "peap") as at:
        past = datetime.now(UTC) - timedelta(days=180)
        assert assess(at.plan, at.seen, past).findings == ()
        _, _, login = at.log_in()
        assert heard_nothing(at.heard)
    assert login.sent is False


# ---------------------------------------------------------------- nor to another than was looked at


@EACH_LOGIN
@pytest.mark.parametrize("tls", [Version.TLS1_2, Version.TLS1_3])
def test_another_chain_in_the_login_than_in_the_look_gets_nothing(
    tmp_path: Path, how: str, tls: Version
) -> None:
    """It is as good a one, of another node: but it is not the one that was approved of."""
    with looked_at("healthy-eap-per-node", tmp_path, how) as at:
        at.server.serve(replace(at.others("quay1"), versions=(tls,)))
        seen, record, login = at.log_in()
        assert heard_nothing(at.heard)
    assert record.outcome is Outcome.SERVED
    assert login.sent is False
    assert login.accepted is None
    assert "another chain in the login than in the look" in (login.detail or "")
    assert record.served is not None
    assert record.served.chain[0] not in {
        sha256 for each in at.seen.handshakes if each.served for sha256 in each.served.chain
    }
    assert record.question in seen.unobserved()


@EACH_LOGIN
def test_the_same_leaf_with_other_certificates_behind_it_gets_nothing(
    tmp_path: Path, how: str
) -> None:
    with looked_at("healthy-root-served", tmp_path, how) as at:
        site = at.server.site
        (chain,) = site.chains
        shorter = tmp_path / "shorter.pem"
        pem = chain.chain_file.read_bytes()
        ends = pem.rindex(b"-----BEGIN")
        shorter.write_bytes(pem[:ends])
        other = replace(chain, certificates=chain.certificates[:-1], chain_file=shorter)
        at.server.serve(replace(site, chains=(other,)))
        _, record, login = at.log_in()
        assert heard_nothing(at.heard)
    assert record.served is not None
    assert len(record.served.chain) == len(chain.certificates) - 1
    assert login.sent is False


@EACH_LOGIN
def test_the_approved_chain_without_proof_of_its_key_gets_nothing(tmp_path: Path, how: str) -> None:
    """Somebody else shows the certificate, as anybody may who has seen it."""
    with looked_at("healthy-cluster", tmp_path, how) as at:
        site = replace(at.server.site, versions=(Version.TLS1_2,), fault=EapFault.OTHER_KEY)
        at.server.serve(site)
        seen, record, login = at.log_in()
        assert heard_nothing(at.heard)
    assert record.served is not None
    assert record.served.key_proven is False
    assert record.served.chain in {
        each.served.chain for each in at.seen.handshakes if each.served is not None
    }
    assert login.sent is False
    assert record.question in seen.unobserved()


@EACH_LOGIN
@pytest.mark.parametrize(
    "fault",
    [
        EapFault.REJECTS,
        EapFault.ALERT,
        EapFault.MALFORMED,
        EapFault.NOT_TLS,
        EapFault.ENDLESS_FRAGMENTS,
    ],
)
def test_a_server_that_fails_at_the_login_gets_nothing(
    tmp_path: Path, how: str, fault: EapFault
) -> None:
    with looked_at("healthy-cluster", tmp_path, how) as at:
        at.server.serve(replace(at.server.site, fault=fault))
        seen, record, login = at.log_in()
        assert heard_nothing(at.heard)
    assert login.sent is False
    assert record.question in seen.unobserved()


# ---------------------------------------------------------------- what cannot be asked


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda document: document.pop("login"), "needs a test account or certificate"),
        (lambda document: document["login"].update(method="TEAP"), "no login is made by TEAP"),
        (lambda document: document["eap"].pop("expected_names"), "needs eap.expected_names"),
        (lambda document: document["eap"].pop("secret"), "needs the RADIUS secret"),
    ],
)
def test_what_the_plan_lacks_is_said_before_anything_is_sent(
    tmp_path: Path, change: Callable[[dict[str, dict[str, object]]], object], says: str
) -> None:
    document: dict[str, dict[str, object]] = {
        "eap": {
            "secret": {"environment": "NORTHPIER_RADIUS"},
            "expected_names": ["radius.northpier.example"],
        },
        "trust": {"eap": ["public"]},
        "login": {
            "method": "PEAP",
            "account": ACCOUNT,
            "password": {"environment": VARIABLE},
        },
    }
    change(document)
    path = tmp_path / "plan.toml"
    node = {"name": "quay1", "host": "quay1.northpier.example", "addresses": ["127.0.0.1"]}
    path.write_text(to_toml({"name": "Northpier", **document, "node": [node]}), "utf-8")
    plan = load_plan(path)
    with pytest.raises(JobError, match=says):
        scope_of(plan, "quay1", login=True)
    with pytest.raises(JobError, match="none is asked here"):
        scope_of(plan, "quay1", frozenset({Endpoint.WEB}), login=True)
