"""Waiting for an import, by a clock that is moved by hand: what is asked when, what is told, and
when it ends."""

import itertools
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from probe.certificate.container import Expected
from probe.certificate.facts import facts_of
from probe.jobs.sweep import JobError, Scope, assess
from probe.jobs.watch import Told, to_ask, wait_for
from probe.judge.imported import Imported
from probe.observation.model import (
    Aspect,
    EapSeen,
    Endpoint,
    Handshake,
    Outcome,
    Phase,
    Question,
    Served,
    Survey,
    Taken,
    fingerprint,
)
from probe.observe.agenda import Depth
from probe.plan.model import Plan
from probe.records import replace
from tests.judge.pki import AT
from tests.judge.world import (
    GUEST,
    HOSTS,
    RADIUS,
    Chain,
    eap_chain,
    plan,
    private,
    public,
    web_chain,
    with_private,
    with_public,
)

BEGAN = datetime(2026, 11, 25, 14, 0, tzinfo=UTC)
SCOPE = Scope(Depth.NODE, frozenset({Endpoint.WEB, Endpoint.EAP}), ("quay1",), both_kinds=True)
NEW = {"begins": AT - timedelta(hours=2), "days": 90}

Shows = Chain | Outcome


def new_web() -> Chain:
    return with_public(public(*HOSTS, GUEST, **NEW))


def new_eap(**more: Any) -> Chain:
    return with_private(private(RADIUS, **NEW, **more))


@dataclass
class Node:
    """A node whose answers change at given seconds, and the clock that it lives by."""

    web: Shows = field(default_factory=web_chain)
    eap: Shows = field(default_factory=eap_chain)
    eap_too: Chain | None = None
    """A certificate of another key family."""
    now: float = 0.0
    changes: list[tuple[float, Callable[["Node"], None]]] = field(default_factory=list)
    asked: list[tuple[float, bool, tuple[Question, ...]]] = field(default_factory=list)
    told: list[Told] = field(default_factory=list)
    interrupts_at: float | None = None

    def then(self, seconds: float, **shows: Any) -> "Node":
        def change(node: "Node") -> None:
            for name, value in shows.items():
                setattr(node, name, value)

        self.changes.append((seconds, change))
        return self

    # the clock

    def elapsed(self) -> float:
        return self.now

    def time(self) -> datetime:
        return BEGAN + timedelta(seconds=self.now)

    def sleep(self, seconds: float) -> None:
        assert seconds > 0
        self.now += seconds
        if self.interrupts_at is not None and self.now >= self.interrupts_at:
            raise KeyboardInterrupt
        for at, change in [one for one in self.changes if one[0] <= self.now]:
            self.changes.remove((at, change))
            change(self)

    # the look

    def look(self, asked: tuple[Question, ...], whole: bool) -> Survey:
        self.asked.append((self.now, whole, asked))
        certificates: dict[str, bytes] = {}
        records = []
        for question in asked:
            record, chain = self._answer(question)
            records.append(record)
            certificates.update((fingerprint(der), der) for der in chain)
        taken = Taken(self.time(), self.time(), machine="lighthouse")
        return Survey((taken,), None, asked, (), tuple(records), certificates)

    def _answer(self, question: Question) -> tuple[Handshake, Chain]:
        ask = question.handshake
        assert ask is not None
        shows: Shows = self.web if question.endpoint is Endpoint.WEB else self.eap
        if ask.key_family is not None and isinstance(shows, tuple):
            held = [shows]
            if question.endpoint is Endpoint.EAP and self.eap_too is not None:
                held.append(self.eap_too)
            fitting = [c for c in held if facts_of(c[0]).key_family is ask.key_family]
            shows = fitting[0] if fitting else Outcome.REFUSED
        if ask.aspect is Aspect.OLD_VERSION and isinstance(shows, tuple):
            shows = Outcome.REFUSED
        record = Handshake(
            question.id,
            question.endpoint,
            question.nodes,
            ask,
            self.time(),
            0.01,
            Outcome.SERVED,
            Phase.PROOF,
            eap=EapSeen(method=ask.methods[0]) if ask.methods else None,
        )
        if isinstance(shows, Outcome):
            return replace(record, outcome=shows, phase=Phase.CONNECT), ()
        family = facts_of(shows[0]).key_family
        served = Served(tuple(map(fingerprint, shows)), key_family=family, key_proven=True)
        return replace(record, served=served), shows

    # what it was asked

    def eap_times(self) -> list[float]:
        return sorted(
            {at for at, _, asked in self.asked for q in asked if q.endpoint is Endpoint.EAP}
        )

    def whole_times(self) -> list[float]:
        return [at for at, whole, _ in self.asked if whole]

    def lines(self) -> list[str]:
        return [one.says for one in self.told]


class _Clock:
    def __init__(self, node: Node) -> None:
        self.now, self.elapsed, self.sleep = node.time, node.elapsed, node.sleep


def awaited(
    node: Node, *chains: Chain, minutes: float = 10, of: Plan | None = None, scope: Scope = SCOPE
) -> tuple[bool, Survey]:
    """Wait, and return whether all is as expected, and what was seen last."""
    what = Imported(tuple(Expected(tuple(chain)) for chain in chains))
    seen = wait_for(
        of or plan(),
        scope,
        what,
        minutes=minutes,
        look=node.look,
        clock=_Clock(node),
        tell=node.told.append,
    )
    expected = assess(of or plan(), seen, imported=what).expected
    return bool(expected) and all(one.fulfilled for one in expected), seen


def at_most_every_fifteen_seconds(node: Node) -> None:
    times = node.eap_times()
    assert all(later - earlier >= 15 for earlier, later in itertools.pairwise(times))


def test_what_is_there_already_is_seen_at_once() -> None:
    node = Node(web=(new := new_web()))
    assert awaited(node, new)[0]
    assert node.now == 0
    assert node.lines()[-1] == "all is as expected"


def test_a_web_certificate_is_awaited_through_a_restart() -> None:
    new = new_web()
    node = Node().then(20, web=Outcome.CLOSED, eap=Outcome.CLOSED)
    node.then(230, web=new).then(250, eap=eap_chain())
    done, seen = awaited(node, new)
    assert done
    # The whole look is made with EAP, too, which came back later than the web.
    assert {r.outcome for r in seen.handshakes if r.asked.aspect is None} == {Outcome.SERVED}
    assert node.now < 300
    at_most_every_fifteen_seconds(node)
    lines = node.lines()
    assert "HTTPS at quay1: down (closed)" in lines
    assert "HTTPS at quay1: down for 3 min" in lines
    back = next(line for line in lines if "back" in line)
    assert back.startswith("HTTPS at quay1: back 14:03, after 4 min down; serves")
    assert back.endswith(", as expected")


def test_an_eap_certificate_is_awaited() -> None:
    new = new_eap()
    node = Node().then(100, eap=new)
    assert awaited(node, new)[0]
    at_most_every_fifteen_seconds(node)
    assert 100 <= node.now <= 140
    eap = [line for line in node.lines() if line.startswith("EAP at quay1: serves")]
    assert [line.endswith(", as expected") for line in eap] == [False, True]


def test_eap_is_left_alone_while_the_web_is_down() -> None:
    new = new_eap()
    node = (
        Node().then(10, web=Outcome.CLOSED, eap=Outcome.SILENT).then(200, web=web_chain(), eap=new)
    )
    assert awaited(node, new)[0]
    assert not [at for at in node.eap_times() if 10 <= at < 200]


def test_a_web_certificate_needs_no_conversation_while_it_is_awaited() -> None:
    new = new_web()
    node = Node().then(300, web=new)
    assert awaited(node, new)[0]
    assert [at for at in node.eap_times() if at < 300] == [0], "how it is at the beginning"


@pytest.mark.parametrize("minutes", [0.1, 0.25, 0.4, 1, 2.1])
def test_the_last_look_too_leaves_eap_its_rest(minutes: float) -> None:
    for node in (Node(), Node(eap=new_eap()[:1])):
        awaited(node, new_eap(), minutes=minutes)
        assert node.whole_times()
        at_most_every_fifteen_seconds(node)


def test_the_time_is_over() -> None:
    node = Node()
    done, seen = awaited(node, new_web(), minutes=2)
    assert not done
    assert node.now == 120
    assert node.lines()[-1] == "the time is over; this is how it stands"
    assert node.whole_times() == [120]
    assert {question.id for question in seen.questions} == {
        q.id for q in to_ask(plan(), SCOPE).whole
    }


def test_a_server_with_both_key_families_is_asked_for_the_expected_one() -> None:
    """It shows ECDSA to who offers both, and RSA was renewed; the ECDSA one is of another CA."""
    new = new_eap(rsa_leaf=True)
    node = Node().then(40, eap_too=new)
    done, _ = awaited(node, new, minutes=3)
    # The other one is of the same CA here: that it is left is told at the end.
    assert not done
    assert any("served beside another" in line for line in node.lines())


def test_while_not_all_is_as_expected_whole_looks_become_rare() -> None:
    new = new_eap()
    node = Node(eap=new[:1])
    done, _ = awaited(node, new, minutes=10)
    assert not done
    looks = node.whole_times()
    gaps = [later - earlier for earlier, later in itertools.pairwise(looks)]
    assert gaps[:3] == sorted(gaps[:3])
    assert len(looks) <= 7
    at_most_every_fifteen_seconds(node)


def test_old_and_new_in_turn_is_progress() -> None:
    """The whole look meets the old certificate once more; then it is gone."""
    new = new_web()
    node = Node(web=new)
    looks = 0
    plain = node.look

    def look(asked: tuple[Question, ...], whole: bool) -> Survey:
        nonlocal looks
        looks += whole
        seen = plain(asked, whole)
        if not whole or looks > 1:
            return seen
        again = next(r for r in seen.handshakes if r.asked.aspect is Aspect.AGAIN)
        assert again.served is not None
        old = replace(again.served, chain=tuple(map(fingerprint, web_chain())))
        records = tuple(replace(r, served=old) if r is again else r for r in seen.handshakes)
        pool = seen.certificates | {fingerprint(der): der for der in web_chain()}
        return replace(seen, handshakes=records, certificates=pool)

    node.look = look  # type: ignore[method-assign]  # one that forgets a process
    assert awaited(node, new)[0]
    assert node.now >= 15
    assert any(line.startswith("not all is as expected yet") for line in node.lines())


def test_an_interrupt_ends_it_with_what_is_known() -> None:
    node = Node(interrupts_at=60)
    done, seen = awaited(node, new_web())
    assert not done
    assert seen.interrupted
    assert any(record.served for record in seen.handshakes)
    assert seen.unobserved(), "what was not asked is unseen"


def test_an_interrupted_look_ends_it() -> None:
    node = Node()
    plain = node.look

    def look(asked: tuple[Question, ...], whole: bool) -> Survey:
        seen = plain(asked, whole)
        return replace(seen, interrupted=node.now > 30)

    node.look = look  # type: ignore[method-assign]  # as when somebody presses Ctrl-C
    _, seen = awaited(node, new_web())
    assert seen.interrupted
    assert node.now < 60


def test_a_node_that_is_down_at_first_is_awaited() -> None:
    new = new_web()
    node = Node(web=Outcome.UNREACHABLE, eap=Outcome.SILENT).then(90, web=new, eap=eap_chain())
    assert awaited(node, new)[0]
    at_most_every_fifteen_seconds(node)


def test_the_clock_set_back_changes_nothing() -> None:
    new = new_web()
    node = Node().then(60, web=new)
    node.time = lambda: BEGAN - timedelta(hours=1, seconds=node.now)  # type: ignore[method-assign]
    assert awaited(node, new)[0]


def test_without_eap_only_the_web_is_asked() -> None:
    new = new_web()
    node = Node().then(30, web=new)
    scope = replace(SCOPE, only=frozenset({Endpoint.WEB}))
    assert awaited(node, new, scope=scope)[0]
    assert node.eap_times() == []


def test_a_node_that_is_not_there_is_an_error() -> None:
    with pytest.raises(JobError, match="no node"):
        awaited(Node(), new_web(), scope=replace(SCOPE, nodes=("quay9",)))
