"""Every way in which a CA's server can misbehave is one outcome, within its time."""

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import msgspec
import pytest

from lab.authorityserver import AuthorityFault, Form
from lab.cluster import Cluster
from lab.scenario import Scenario
from lab.tables import AuthoritySettings
from probe.observation.document import read_survey
from probe.observation.model import Fetch, FetchOutcome, Survey
from tests.running import Result, probe

DAY = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)

OUTCOMES = {
    AuthorityFault.STALE: FetchOutcome.FETCHED,
    AuthorityFault.FOREIGN: FetchOutcome.FETCHED,
    AuthorityFault.OTHER: FetchOutcome.FETCHED,
    AuthorityFault.HTML: FetchOutcome.FETCHED,
    AuthorityFault.NOT_FOUND: FetchOutcome.FAILED,
    AuthorityFault.REDIRECT_LOOP: FetchOutcome.FAILED,
    AuthorityFault.BOMB: FetchOutcome.MALFORMED,
    AuthorityFault.ENDLESS: FetchOutcome.TOO_LARGE,
    AuthorityFault.HUGE: FetchOutcome.TOO_LARGE,
    AuthorityFault.SILENT: FetchOutcome.SILENT,
    AuthorityFault.TRICKLE: FetchOutcome.SILENT,
}
REACHED = {FetchOutcome.FETCHED, FetchOutcome.FAILED, FetchOutcome.MALFORMED}


def swept(
    directory: Path, settings: AuthoritySettings, *arguments: str, wait: float = 30.0
) -> tuple[Result, Survey]:
    """Sweep the healthy cluster, with the public CA's servers as told; `wait`: how long for one
    fetch, in seconds."""
    scenario = msgspec.structs.replace(
        Scenario.load("healthy-revocation"), authority={"public-issuing": settings}
    )
    plan: dict[str, Any] = {**scenario.plan, "limits": {"fetch_wait": wait}}
    scenario = msgspec.structs.replace(scenario, plan=plan)
    saved = directory / "seen.survey"
    with Cluster(scenario, directory=directory, at=DAY) as lab:
        at = "--at", DAY.isoformat()
        result = probe(lab.plan_path, *at, "--save", str(saved), *arguments)
    return result, read_survey(saved)


def of(survey: Survey, ending: str) -> list[Fetch]:
    return [fetch for fetch in survey.fetches if fetch.url.endswith(ending)]


def test_every_fault_is_tried() -> None:
    assert set(OUTCOMES) == set(AuthorityFault)


@pytest.mark.parametrize("fault", list(AuthorityFault))
def test_a_fault_is_one_outcome_and_one_finding(tmp_path: Path, fault: AuthorityFault) -> None:
    settings = AuthoritySettings(faults={"crl": fault, "ocsp": fault})
    # Only what never comes is not worth waiting for.
    wait = 1.0 if OUTCOMES[fault] is FetchOutcome.SILENT else 30.0
    result, survey = swept(tmp_path, settings, wait=wait)
    (listed,) = of(survey, "/public-issuing.crl")
    answers = of(survey, "/ocsp/public-issuing")
    assert listed.outcome is OUTCOMES[fault]
    assert len(answers) == 3  # one for each node's own certificate
    assert {answer.outcome for answer in answers} <= {OUTCOMES[fault], FetchOutcome.SILENT}
    for fetch in (listed, *answers):
        assert (fetch.body is not None) is (fetch.outcome is FetchOutcome.FETCHED)
    # quay1 staples a good answer. An endless OCSP response is of no use to anybody.
    assert result.findings() == {("web-revocation-unknown", "web", ("quay2", "quay3"), None)}
    advised = OUTCOMES[fault] in REACHED or fault in (AuthorityFault.ENDLESS, AuthorityFault.HUGE)
    assert result.document["verdict"] == ("advised" if advised else "unseen")


@pytest.mark.parametrize("form", list(Form))
def test_the_certificate_of_an_issuer_comes_in_each_form(tmp_path: Path, form: Form) -> None:
    scenario = msgspec.structs.replace(
        Scenario.load("web-chain-incomplete-fetched"),
        authority={"public-issuing": AuthoritySettings(form=form)},
    )
    with Cluster(scenario, directory=tmp_path, at=DAY) as lab:
        result = probe(lab.plan_path, "--at", DAY.isoformat())
        missing = lab.issued("public-issuing")
    (finding,) = result.document["findings"]
    assert finding["rule"] == "web-chain-incomplete"
    assert "/public-issuing.cer" in finding["remedy"]
    (sha256,) = finding["certificates"]
    assert result.document["certificates"][sha256]["pem"].split() == missing.pem.decode().split()


def test_nothing_is_fetched_where_that_is_wanted(tmp_path: Path) -> None:
    """--no-fetch makes it unseen; the plan's own `off` is nobody's question."""
    result, survey = swept(tmp_path, AuthoritySettings(), "--no-fetch")
    assert survey.fetches == ()
    assert {rule for rule, *_ in result.findings()} == {
        "web-revocation-unknown",
        "eap-revocation-unknown",
        "eap-client-crl-stale",
    }
    assert (result.document["verdict"], result.status) == ("unseen", 4)


def test_a_plan_that_wants_nothing_fetched_is_sound(tmp_path: Path) -> None:
    scenario = Scenario.load("healthy-revocation")
    plan: dict[str, Any] = {**scenario.plan, "fetch": {"off": True, "allow": []}}
    scenario = msgspec.structs.replace(scenario, plan=plan)
    with Cluster(scenario, directory=tmp_path, at=DAY) as lab:
        result = probe(lab.plan_path, "--at", DAY.isoformat())
    assert (result.document["verdict"], result.findings()) == ("sound", set())


def test_each_address_is_gone_to_once(tmp_path: Path) -> None:
    _, survey = swept(tmp_path, AuthoritySettings())
    asked = [(fetch.kind, fetch.url, fetch.request) for fetch in survey.fetches]
    assert len(set(asked)) == len(asked)
    assert {fetch.outcome for fetch in survey.fetches} == {FetchOutcome.FETCHED}
    endings = {fetch.url.rpartition("/")[2] for fetch in survey.fetches if fetch.kind == "crl"}
    assert endings == {
        "public-issuing.crl",
        "public-root.crl",
        "northpier-issuing.crl",
        "northpier-root.crl",
    }
    # Every chain leads to a root of the plan: nobody's issuer had to be fetched.
    assert not [fetch for fetch in survey.fetches if fetch.kind == "issuer"]
