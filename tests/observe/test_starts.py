"""A sweep begins little by little: what stands before all nodes, and a resolver, get no burst.

Time is that of a clock which stands still while anybody is busy, so all that begins in one go
begins at one instant of it.
"""

import asyncio
import socket
from collections import Counter

from probe.limits import DEFAULT
from probe.observation.model import Question
from probe.observe.agenda import Depth, agenda
from probe.observe.events import Event, EventKind
from probe.observe.sweep import survey
from probe.plan.model import Fetch, Plan, Resolver, Web
from probe.records import replace
from tests.observe import standstill
from tests.observe.plans import EAP, node, plan
from tests.observe.plans import SECRET as REFERENCE
from tests.observe.radiuspeers import SECRET

NODES = 60


def begun(of: Plan, asked: tuple[Question, ...]) -> tuple[Counter[float], Counter[float]]:
    """Ask, and return how many nodes and how many questions about names began at each instant."""
    names = {question.id for question in asked if question.lookup is not None}
    nodes: dict[str, float] = {}
    questions: Counter[float] = Counter()

    async def run() -> None:
        clock = asyncio.get_running_loop().time

        def note(event: Event) -> None:
            if event.kind is not EventKind.BEGAN:
                return
            if event.question in names:
                questions[clock()] += 1
            else:
                nodes.setdefault(event.node, clock())

        await survey(of, asked, secrets={REFERENCE: SECRET}, on_event=note)

    standstill.run(run())
    return Counter(nodes.values()), questions


def test_nodes_and_questions_begin_a_few_at_a_time() -> None:
    with socket.socket(type=socket.SOCK_DGRAM) as mute, socket.socket() as closed:
        mute.bind(("127.0.0.1", 0))
        closed.bind(("127.0.0.1", 0))
        place = f"127.0.0.1:{mute.getsockname()[1]}"
        web = Web(port=closed.getsockname()[1])
        eap = replace(EAP, port=mute.getsockname()[1])
        each = (node(f"quay{n}", f"127.3.0.{n + 1}", web=web, eap=eap) for n in range(NODES))
        of = replace(plan(*each, resolvers=(Resolver(place),)), fetch=Fetch(off=True))
        asked = tuple(agenda(of, Depth.SWEEP))
        nodes, questions = begun(of, asked)
    lookups = sum(question.lookup is not None for question in asked)
    assert (nodes.total(), questions.total()) == (NODES, lookups)
    assert lookups > 4 * DEFAULT.questions_at_once
    assert max(nodes.values()) == DEFAULT.nodes_at_once == 8
    assert max(questions.values()) == DEFAULT.questions_at_once == 32
    # The whole ramp is over before anybody would notice.
    assert max(nodes) < 0.05
    assert max(questions) < 0.1


def test_a_small_cluster_is_asked_at_once() -> None:
    with socket.socket() as closed:
        closed.bind(("127.0.0.1", 0))
        web = Web(port=closed.getsockname()[1])
        each = (node(f"quay{n}", f"127.3.0.{n + 1}", web=web, eap=None) for n in range(8))
        of = replace(plan(*each, resolvers=()), fetch=Fetch(off=True))
        nodes, _ = begun(of, tuple(agenda(of, Depth.SWEEP)))
    assert nodes == {0.0: 8}
