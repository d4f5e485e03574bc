"""How far a draft goes: what is asked of whom, with a network that is made up."""

from collections.abc import Mapping
from datetime import UTC, datetime

import pytest

from probe.drafting.model import Given
from probe.jobs import draft
from probe.jobs.draft import drafted
from probe.jobs.sweep import JobError
from probe.observation.model import (
    Endpoint,
    Handshake,
    HandshakeAsk,
    Lookup,
    LookupOutcome,
    Outcome,
    Phase,
    Question,
    Served,
    Survey,
    Taken,
)
from probe.plan.model import Plan, SecretRef
from probe.records import replace
from tests.drafting.test_text import certificate

AT = datetime(2026, 11, 25, tzinfo=UTC)
D = "northpier.example"


class World:
    """Answers questions out of two tables, and remembers who was spoken to."""

    def __init__(
        self, names: Mapping[str, tuple[str, ...]], served: Mapping[str, tuple[str, ...]]
    ) -> None:
        self.names = names
        self.served = {address: certificate("CA", list(of)) for address, of in served.items()}
        self.asked: list[str] = []
        self.visited: set[str] = set()
        self.conversations = 0

    def __call__(self, plan: Plan, questions: tuple[Question, ...]) -> Survey:
        assert plan.fetch.off
        survey = Survey((Taken(AT, AT),), None, questions)
        lookups, handshakes, certificates = [], [], {}
        for question in questions:
            if question.lookup is not None:
                self.asked.append(question.lookup.name)
                data = self.names.get(question.lookup.name, ())
                data = data if question.lookup.type == "A" else ()
                outcome = LookupOutcome.ANSWERED if data else LookupOutcome.NO_NAME
                lookups.append(Lookup(question.id, question.lookup, AT, 0, outcome, data=data))
            elif question.handshake is not None:
                address = str(question.handshake.address)
                self.visited.add(address)
                self.conversations += question.endpoint is Endpoint.EAP
                der = self.served.get(address)
                if der is not None:
                    certificates["ab" + address] = der
                handshakes.append(
                    _record(question, question.handshake, "ab" + address if der else None)
                )
        return replace(
            survey,
            lookups=tuple(lookups),
            handshakes=tuple(handshakes),
            certificates=certificates,
        )


def _record(question: Question, ask: HandshakeAsk, sha256: str | None) -> Handshake:
    outcome = Outcome.SERVED if sha256 else Outcome.SILENT
    served = Served((sha256,)) if sha256 else None
    return Handshake(
        question.id, question.endpoint, question.nodes, ask, AT, 0, outcome, Phase.FINISH,
        served=served,
    )  # fmt: skip


def test_names_of_other_domains_are_not_even_looked_up() -> None:
    world = World(
        {f"quay1.{D}": ("192.0.2.1",), "bank.example": ("192.0.2.99",)},
        {"192.0.2.1": (f"quay1.{D}", f"quay2.{D}", "bank.example", "*.bank.example")},
    )
    drafted(Given(names=(f"quay1.{D}",)), world, follow=True)
    assert f"quay2.{D}" in world.asked
    assert not any("bank" in name for name in world.asked)
    assert world.visited == {"192.0.2.1"}


@pytest.mark.parametrize(
    ("follow", "place", "own", "visited"),
    [
        (False, "192.0.2.2", "192.0.2.1", {"192.0.2.1"}),
        (True, "192.0.2.2", "192.0.2.1", {"192.0.2.1", "192.0.2.2"}),
        # This machine, or its link, is not gone to for a name that was found ...
        (True, "127.0.0.1", "192.0.2.1", {"192.0.2.1"}),
        (True, "169.254.169.254", "192.0.2.1", {"192.0.2.1"}),
        # ... unless what was named is there itself, as in a lab.
        (True, "127.0.0.2", "127.0.0.1", {"127.0.0.1", "127.0.0.2"}),
        (True, "169.254.169.254", "127.0.0.1", {"127.0.0.1"}),
        (True, "::ffff:169.254.169.254", "127.0.0.1", {"127.0.0.1"}),
    ],
)
def test_names_that_lead_elsewhere_are_visited_only_if_that_is_wanted(
    *, follow: bool, place: str, own: str, visited: set[str]
) -> None:
    world = World(
        {f"quay1.{D}": (own,), f"quay2.{D}": (place,)},
        {own: (f"quay1.{D}", f"quay2.{D}"), place: (f"quay2.{D}",)},
    )
    found = drafted(Given(names=(f"quay1.{D}",)), world, follow=follow)
    assert world.visited == visited
    assert found.beside == (() if place in visited else (f"quay2.{D}",))


def test_any_number_of_names_is_bounded_and_what_is_left_out_is_said(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(draft, "DRAFT_NAMES", 10)
    monkeypatch.setattr(draft, "DRAFT_VISITS", 3)
    names = tuple(f"n{number}.{D}" for number in range(30))
    world = World(dict.fromkeys((f"quay1.{D}", *names), ("192.0.2.1",)), {"192.0.2.1": names})
    found = drafted(Given(names=(f"quay1.{D}",)), world)
    assert len({name for name in world.asked if name.endswith(D)}) == 10
    (says,) = [one.says for one in found.opens if one.place == "bounds"]
    assert "names, beyond 10" in says
    assert "visits, beyond 3" in says


def test_any_number_of_addresses_is_bounded_too(monkeypatch: pytest.MonkeyPatch) -> None:
    """One name that leads to very many: each would be asked back, and hold a conversation."""
    monkeypatch.setattr(draft, "DRAFT_NAMES", 10)
    monkeypatch.setattr(draft, "DRAFT_CONVERSATIONS", 3)
    places = tuple(f"192.0.2.{n}" for n in range(1, 41))
    world = World({f"quay1.{D}": places}, {})
    given = Given(names=(f"quay1.{D}",), secret=SecretRef(environment="NORTHPIER"))
    found = drafted(given, world)
    assert sum(name.endswith(".in-addr.arpa") for name in world.asked) == 10
    assert world.conversations == 3
    (says,) = [one.says for one in found.opens if one.place == "bounds"]
    assert "30 addresses by reverse, beyond 10" in says
    assert "37 EAP conversations, beyond 3" in says


def test_siblings_of_siblings_end() -> None:
    """Each certificate names the next one: that ends after so many rounds."""
    chain = {f"q{n}.{D}": (f"192.0.2.{n}",) for n in range(1, 30)}
    served = {f"192.0.2.{n}": (f"q{n}.{D}", f"q{n + 1}.{D}") for n in range(1, 29)}
    world = World(chain, served)
    drafted(Given(names=(f"q1.{D}",)), world, follow=True)
    assert len(world.visited) == draft.DRAFT_ROUNDS + 1


def test_names_that_lead_nowhere_are_an_error_with_each_reason() -> None:
    world = World({}, {})
    with pytest.raises(JobError, match=rf"quay1\.{D}: there is no such name"):
        drafted(Given(names=(f"quay1.{D}", f"quay2.{D}")), world)
    assert world.visited == set()
