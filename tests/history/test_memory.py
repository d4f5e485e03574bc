"""The history beside a run: what was before is told, and nothing wrong with it stops one."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from probe.assessment import Verdict
from probe.history.failure import DamagedError
from probe.history.store import Store
from probe.jobs.memory import Memory, last_served
from probe.jobs.sweep import Before, JobError, assess, ends
from probe.observation.model import Endpoint, Outcome, Survey
from probe.records import replace
from tests.history.makes import DAY, PLAN, integrity, renewed, survey
from tests.judge.pki import AT


class Told(list[str]):
    """The lines that were told."""


@pytest.fixture
def told() -> Told:
    return Told()


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "history.sqlite"


@pytest.fixture
def memory(path: Path, told: Told) -> Iterator[Memory]:
    with Memory(path, told.append) as opened:
        yield opened
    assert told == []


def part(of: Survey, *words: str) -> Survey:
    """Return the questions of a survey whose ids hold one of the words."""
    wanted = {q.id for q in of.questions if any(word in q.id for word in words)}
    return replace(
        of,
        questions=tuple(q for q in of.questions if q.id in wanted),
        lookups=tuple(r for r in of.lookups if r.question in wanted),
        handshakes=tuple(r for r in of.handshakes if r.question in wanted),
    ).trimmed()


def test_a_first_run_has_nothing_before_it(memory: Memory) -> None:
    assert memory.before(PLAN, survey()) == Before()
    assert assess(PLAN, survey(), None, Before()).since is None


def test_the_last_run_is_what_the_next_one_is_compared_with(memory: Memory) -> None:
    memory.keep(PLAN, survey(0))
    memory.keep(PLAN, survey(1, web={"quay2": renewed()}))
    before = memory.before(PLAN, survey(2))
    since = assess(PLAN, survey(2), None, before).since
    assert since is not None
    assert (since.last, since.oldest) == (AT + DAY, AT + DAY)
    assert [(change.what, change.nodes) for change in since.changes] == [
        ("certificate", ("quay2",))
    ]


def test_each_question_is_compared_with_the_last_time_it_was_asked(memory: Memory) -> None:
    """Yesterday's sweep, then a look at DNS alone: the certificates are compared with yesterday."""
    memory.keep(PLAN, survey(0))
    memory.keep(PLAN, part(survey(1), "dns/"))
    since = assess(PLAN, survey(2), None, memory.before(PLAN, survey(2))).since
    assert since is not None
    assert (since.last, since.oldest, since.nothing) == (AT + DAY, AT, True)
    assert since.compared == len(survey().questions)


def test_another_plan_machine_or_vantage_is_not_compared(memory: Memory) -> None:
    memory.keep(PLAN, survey(0))
    assert memory.before(replace(PLAN, name="another"), survey(1)) == Before()
    for change in ({"machine": "elsewhere"}, {"vantage": "quay 2"}):
        seen = survey(1)
        (taken,) = seen.taken
        other = replace(seen, taken=(replace(taken, **change),))  # type: ignore[arg-type]  # texts
        assert memory.before(PLAN, other) == Before()


def test_who_answered_before_and_is_silent_now_blocks_however_often_one_asks(
    memory: Memory,
) -> None:
    """It is silent a second time, too: that it answered the time before that still counts."""
    silent = {"eap": {"quay2": Outcome.SILENT}}
    for day in (1, 2):
        memory.keep(PLAN, survey(day - 1, **(silent if day == 2 else {})))
        seen = survey(day, **silent)
        (finding,) = assess(PLAN, seen, None, memory.before(PLAN, seen)).findings
        assert (finding.rule, finding.nodes, finding.verdict) == (
            "eap-silent",
            ("quay2",),
            Verdict.BLOCKED,
        )
    # The twin that never answered.
    seen = survey(3, eap={"quay2": Outcome.SILENT})
    (finding,) = assess(PLAN, seen).findings
    assert finding.verdict is Verdict.UNSEEN


def test_a_clock_that_was_set_back_changes_nothing(memory: Memory) -> None:
    memory.keep(PLAN, survey(30))
    memory.keep(PLAN, survey(0, web={"quay2": Outcome.CLOSED}))
    since = assess(PLAN, survey(1), None, memory.before(PLAN, survey(1))).since
    assert since is not None
    assert since.last == AT
    assert [(change.what, change.nodes) for change in since.changes] == [("served", ("quay2",))]


def test_a_saved_survey_is_compared_with_the_run_before_it(memory: Memory) -> None:
    for day in (0, 1, 2):
        memory.keep(PLAN, survey(day))
    saved = survey(1.5)
    before = memory.before(PLAN, saved, saved=True)
    assert before.last is not None
    assert before.last.taken[0].ended == AT + DAY
    assert memory.before(PLAN, survey(-1), saved=True) == Before()


def test_a_damaged_file_is_kept_and_a_new_one_begun(path: Path, told: Told) -> None:
    with Store.open(path) as store:
        for day in range(8):
            store.add(survey(day), PLAN.name)
    octets = bytearray(path.read_bytes())
    octets[4_096:] = b"\xa5" * (len(octets) - 4_096)
    path.write_bytes(octets)
    with Memory(path, told.append) as memory:
        memory.check()
        assert memory.before(PLAN, survey(9)) == Before()
        memory.keep(PLAN, survey(9))
    (line,) = told
    aside = next(each for each in path.parent.iterdir() if ".damaged-" in each.name)
    assert f"is damaged: it is kept as {aside.name} beside it" in line
    assert aside.read_bytes() == octets
    assert integrity(path) == "ok"
    with Store.open(path) as store:
        assert [run.ended for run in store.runs()] == [AT + 9 * DAY]


def test_a_new_file_that_another_run_has_begun_is_not_set_aside(
    path: Path, told: Told, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Both have met the damaged file; the other one is faster."""
    path.write_text("no history at all")
    really = Store.open
    monkeypatch.setattr("probe.jobs.memory.default_path", lambda: path)

    def slower(where: Path) -> Store:
        monkeypatch.setattr(Store, "open", really)
        with Memory(None, told.append) as other:
            other.keep(PLAN, survey())
        raise DamagedError("it is damaged")

    monkeypatch.setattr(Store, "open", slower)
    with Memory(None, told.append) as memory:
        memory.keep(PLAN, survey(1))
    assert len(told) == 1
    assert len([each for each in path.parent.iterdir() if ".damaged-" in each.name]) == 1
    with Store.open(path) as store:
        assert len(store.runs()) == 2


def test_nonsense_in_the_users_folder_is_set_aside_and_named_nonsense_refused(
    path: Path, told: Told, monkeypatch: pytest.MonkeyPatch
) -> None:
    path.write_text("no history at all")
    with Memory(path, told.append) as memory, pytest.raises(JobError, match="no history of this"):
        memory.check()
    assert (path.read_text(), told) == ("no history at all", [])
    monkeypatch.setattr("probe.jobs.memory.default_path", lambda: path)
    with Memory(None, told.append) as memory:
        memory.check()
        memory.keep(PLAN, survey())
    assert len(told) == 1
    assert "is damaged" in told[0]
    with Store.open(path) as store:
        assert len(store.runs()) == 1


def test_a_file_in_use_is_told_and_the_run_goes_on(
    path: Path, told: Told, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("probe.history.store.BUSY_WAIT", 0.05)
    with Store.open(path) as store:
        store.add(survey(), PLAN.name)
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with Memory(path, told.append) as memory:
            assert memory.before(PLAN, survey(1)).last is not None, "reading goes on meanwhile"
            memory.keep(PLAN, survey(1))
    assert told == [f"probe: the history {path}: another run keeps it busy; this run is not kept"]


def test_a_later_versions_file_is_left_alone(
    path: Path, told: Told, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Store.open(path) as store:
        store.add(survey(), PLAN.name)
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA user_version = 77")
    monkeypatch.setattr("probe.jobs.memory.default_path", lambda: path)
    with Memory(None, told.append) as memory:
        memory.check()
        memory.keep(PLAN, survey(1))
    assert len(told) == 1
    assert "a later version of this tool" in told[0]


def test_a_place_that_cannot_be_is_told_once(tmp_path: Path, told: Told) -> None:
    (tmp_path / "file").write_text("")
    with Memory(tmp_path / "file" / "history.sqlite", told.append) as memory:
        memory.check()
        assert memory.before(PLAN, survey()) == Before()
        memory.keep(PLAN, survey())
    assert len(told) == 1
    assert told[0].endswith("; this run goes on without it")


def test_the_parts_of_a_merged_past_keep_their_endpoints(memory: Memory) -> None:
    memory.keep(PLAN, part(survey(0), "web/"))
    memory.keep(PLAN, part(survey(1), "eap/"))
    last = memory.before(PLAN, survey(2)).last
    assert last is not None
    assert {record.endpoint for record in last.handshakes} == {Endpoint.WEB, Endpoint.EAP}
    assert len(last.taken) == 2


def test_the_last_chains_are_found_through_silence_and_what_never_had_one_stays_asked(
    path: Path, told: Told
) -> None:
    """quay2 falls silent on the second day, and quay4 has always been."""
    silent = {"quay4": Outcome.SILENT}
    with Memory(path, told.append) as memory:
        memory.keep(PLAN, survey(0, eap=silent))
        memory.keep(PLAN, survey(1, eap={**silent, "quay2": Outcome.SILENT}))
    asked = tuple(q for q in survey().questions if q.endpoint is not Endpoint.DNS)
    found = last_served(path, PLAN, asked)
    assert found.questions == asked
    at = {record.at for record in found.handshakes if "eap/quay2" in record.question}
    assert at == {AT}
    assert {q for q in found.unobserved() if not q.startswith("web/")} == {
        "eap/quay4/192.0.2.14:1812/PEAP",
        "eap/quay4/192.0.2.14:1812/EAP-TTLS",
    }
    assert ends(PLAN, found).unseen == tuple(q.id for q in asked if "eap/quay4" in q.id)
    with pytest.raises(JobError, match="holds no certificate of what the plan asks for"):
        last_served(path, replace(PLAN, name="another"), asked)
    with pytest.raises(JobError, match="holds no certificate"):
        last_served(path.with_name("none"), PLAN, asked)
