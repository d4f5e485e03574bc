"""What the history knows of the time of a complaint, put together of whole runs and parts."""

from pathlib import Path

import pytest

from probe.history.store import Store
from probe.jobs.recollection import Recollection, recollect
from probe.jobs.sweep import JobError, assess, end_of
from probe.observation.model import Outcome, Survey, fingerprint
from probe.records import replace
from tests.history.makes import DAY, PLAN, renewed, survey
from tests.history.test_memory import part
from tests.judge.pki import AT

ASKED = survey().questions
EVERY = frozenset(question.id for question in ASKED)
CLOSED = {"web": {"quay2": Outcome.CLOSED}}


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "history.sqlite"


def keep(path: Path, *surveys: Survey) -> None:
    with Store.open(path) as store:
        for one in surveys:
            store.add(one, PLAN.name)


def rules(seen: Survey | None) -> set[str]:
    assert seen is not None
    return {finding.rule for finding in assess(PLAN, seen).findings}


def test_without_a_file_nothing_is_known_and_none_is_made(path: Path) -> None:
    assert recollect(path, PLAN, ASKED, always=EVERY, when=AT) == Recollection()
    assert not path.exists()


def test_the_nearest_run_tells_of_the_time_whether_before_or_after(path: Path) -> None:
    """Days 0 (sound), 2 (closed) and 5 (sound)."""
    keep(path, survey(0), survey(2, **CLOSED), survey(5))
    for days, expected in ((0.9, set()), (1.1, {"web-closed"}), (3.4, {"web-closed"}), (9, set())):
        known = recollect(path, PLAN, ASKED, always=EVERY, when=AT + days * DAY)
        assert rules(known.then) == expected, days
    assert rules(known.latest) == set()


def test_later_runs_follow_the_earliest_first(path: Path) -> None:
    keep(path, survey(0, **CLOSED), survey(1, **CLOSED), survey(2), survey(3))
    known = recollect(path, PLAN, ASKED, always=EVERY, when=AT)
    assert [end_of(one) for one in known.since] == [AT + DAY, AT + 2 * DAY, AT + 3 * DAY]
    assert [rules(one) for one in known.since] == [{"web-closed"}, set(), set()]


def test_a_state_is_put_together_of_the_last_answers(path: Path) -> None:
    """A look at names alone hides nothing of what the sweep before it saw."""
    keep(path, survey(0, **CLOSED), part(survey(1), "dns/"))
    known = recollect(path, PLAN, ASKED, always=EVERY, when=AT + DAY)
    assert rules(known.then) == {"web-closed"}
    assert known.since == ()
    assert known.latest is not None
    assert known.latest.unobserved() == ()


def test_what_was_never_asked_is_unseen_if_it_belongs_there_always(path: Path) -> None:
    keep(path, part(survey(0), "quay1"))
    known = recollect(path, PLAN, ASKED, always=EVERY)
    assert known.latest is not None
    missing = set(known.latest.unobserved())
    assert missing == {id_ for id_ in EVERY if "quay1" not in id_}
    known = recollect(path, PLAN, ASKED, always=())
    assert known.latest is not None
    assert known.latest.unobserved() == ()


def test_runs_of_another_plan_or_vantage_do_not_count(path: Path) -> None:
    elsewhere = survey(0, **CLOSED)
    (taken,) = elsewhere.taken
    keep(path, replace(elsewhere, taken=(replace(taken, vantage="quay 2"),)))
    known = recollect(path, PLAN, ASKED, always=EVERY, when=AT)
    assert (known.latest, known.then) == (None, None)
    assert recollect(path, replace(PLAN, name="x"), ASKED, always=EVERY) == Recollection()


def test_every_certificate_that_was_ever_seen_is_known(path: Path) -> None:
    new = renewed()
    keep(path, survey(0), survey(1, web={"quay2": new}), survey(2))
    known = recollect(path, PLAN, ASKED, always=EVERY)
    assert fingerprint(new[0]) in known.certificates
    assert known.latest is not None
    assert set(known.latest.certificates) < set(known.certificates)


def test_what_is_no_history_is_told(path: Path) -> None:
    path.write_text("a letter")
    with pytest.raises(JobError, match="history"):
        recollect(path, PLAN, ASKED, always=EVERY)
