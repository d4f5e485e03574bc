"""What is kept comes back as it was, each certificate once, in the order of the runs."""

from pathlib import Path

import pytest

from probe.history.store import Store
from probe.observation.model import Endpoint, Fetch, FetchKind, FetchOutcome, Outcome, fingerprint
from probe.records import replace
from tests.history.makes import DAY, PLAN, counted, integrity, renewed, survey
from tests.judge.pki import AT
from tests.judge.world import eap_chain, web_chain

NAME = PLAN.name


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "data" / "history.sqlite"


def test_a_survey_comes_back_as_it_was_kept(path: Path) -> None:
    body = b"a list of revoked certificates"
    at = fingerprint(web_chain()[0])
    fetch = Fetch(
        FetchKind.CRL,
        "http://ca.northpier.example/list.crl",
        at,
        AT,
        0.1,
        FetchOutcome.FETCHED,
        200,
        body=fingerprint(body),
    )
    kept = replace(survey(), fetches=(fetch,), bodies={fingerprint(body): body})
    with Store.open(path) as store:
        number = store.add(kept, NAME)
    with Store.open(path) as store:
        assert store.survey(number) == kept
        with pytest.raises(KeyError):
            store.survey(number + 1)


def test_each_certificate_and_body_is_kept_once(path: Path) -> None:
    with Store.open(path) as store:
        for day in range(5):
            store.add(survey(day), NAME)
    assert counted(path, "certificates") == len({*web_chain(), *eap_chain()}) == 4
    assert counted(path, "runs") == 5
    assert integrity(path) == "ok"


def test_a_run_tells_what_it_was(path: Path) -> None:
    with Store.open(path) as store:
        store.add(survey(web={"quay4": Outcome.CLOSED}, without=("eap/quay3",)), NAME)
        (run,) = store.runs()
    assert (run.id, run.plan, run.machine, run.vantage) == (1, NAME, "lighthouse", None)
    assert (run.began, run.ended) == (AT - DAY / 43_200, AT)
    assert run.nodes == ("quay1", "quay2", "quay3", "quay4")
    assert run.endpoints == (Endpoint.DNS, Endpoint.WEB, Endpoint.EAP)
    assert (run.unseen, run.interrupted, run.clock_back) == (2, False, False)


def test_runs_come_latest_first_whatever_the_clock_said(path: Path) -> None:
    """The clock is set back by a month between the second and the third run."""
    with Store.open(path) as store:
        for day in (0, 1, -30, -29):
            store.add(survey(day), NAME)
        store.add(survey(2), "another plan")
        assert [(run.id, run.clock_back) for run in store.runs(NAME)] == [
            (4, False),
            (3, True),
            (2, False),
            (1, False),
        ]
        assert [run.id for run in store.runs("another plan")] == [5]
        assert len(store.runs()) == 5


def test_first_and_last_sight_of_a_certificate(path: Path) -> None:
    old, new = fingerprint(web_chain()[0]), renewed()
    with Store.open(path) as store:
        store.add(survey(0), NAME)
        store.add(survey(1, web={"quay2": new}), NAME)
        store.add(survey(2, web={"quay2": new}), NAME)
        seen = {
            (one.certificate, one.endpoint, one.place): (one.first, one.last)
            for one in store.sightings()
        }
        assert seen[old, Endpoint.WEB, "quay1"] == (AT, AT + 2 * DAY)
        assert seen[old, Endpoint.WEB, "quay2"] == (AT, AT)
        assert seen[fingerprint(new[0]), Endpoint.WEB, "quay2"] == (AT + DAY, AT + 2 * DAY)
        assert (fingerprint(new[0]), Endpoint.WEB, "quay1") not in seen
        assert store.sightings("another plan") == ()
        assert store.certificates([old, "0" * 64]) == {old: web_chain()[0]}


def test_the_latest_answers_are_found_by_question_and_place(path: Path) -> None:
    """A part that is asked by itself, and silence, leave the last answer with a chain known."""
    silent = survey(2, eap={"quay2": Outcome.SILENT})
    part = replace(
        silent,
        questions=tuple(q for q in silent.questions if q.id.startswith("eap/quay2")),
        lookups=(),
        handshakes=tuple(r for r in silent.handshakes if r.question.startswith("eap/quay2")),
    ).trimmed()
    with Store.open(path) as store:
        store.add(survey(0), NAME)
        store.add(survey(1), NAME)
        store.add(part, NAME)
        latest = store.latest(NAME, "lighthouse", None)
        assert store.latest(NAME, "elsewhere", None) == {}
        assert store.latest(NAME, "lighthouse", "quay") == {}
    questions = {q.id for q in part.questions}
    assert {latest[question] for question in questions} == {(3, 2)}
    others = {found for question, found in latest.items() if question not in questions}
    assert others == {(2, None), (2, 2)}, "names have no chain"


def test_what_nobody_answered_is_not_observed(path: Path) -> None:
    with Store.open(path) as store:
        store.add(survey(0), NAME)
        store.add(survey(1, without=("eap/quay3",)), NAME)
        latest = store.latest(NAME, "lighthouse", None)
    assert {run for question, (run, _) in latest.items() if "eap/quay3" in question} == {1}
    assert {run for question, (run, _) in latest.items() if "eap/quay2" in question} == {2}


def test_pruning_forgets_runs_and_what_was_not_seen_since(path: Path) -> None:
    old, new = fingerprint(web_chain()[0]), fingerprint(renewed()[0])
    with Store.open(path) as store:
        chain = renewed()
        new = fingerprint(chain[0])
        store.add(survey(0), NAME)
        store.add(survey(1, web={"web/": chain}), NAME)
        store.add(survey(2, web={"web/": chain}), NAME)
        assert store.prune(AT + 2 * DAY) == 2
        assert [run.id for run in store.runs()] == [3]
        assert store.survey(3) == survey(2, web={"web/": chain})
        first = {one.certificate: one.first for one in store.sightings()}
        assert old not in first
        assert first[new] == AT + DAY, "since when it is served stays known"
        assert store.certificates([old]) == {}
        assert store.add(survey(3), NAME) == 4, "no number is given twice"
        assert store.prune(AT + 9 * DAY) == 2
        assert (store.runs(), store.sightings()) == ((), ())
        assert store.latest(NAME, "lighthouse", None) == {}
    for table in ("certificates", "bodies", "run_certificates", "latest"):
        assert counted(path, table) == 0
    assert integrity(path) == "ok"


def test_nobody_else_can_read_it(path: Path) -> None:
    with Store.open(path) as store:
        store.add(survey(), NAME)
        modes = {file.name: file.stat().st_mode & 0o777 for file in path.parent.iterdir()}
    assert set(modes.values()) == {0o600}
    assert path.parent.stat().st_mode & 0o777 == 0o700
