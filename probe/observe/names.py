"""Asks about the names of an agenda, each record once, and turns answers into further questions.

A wildcard is asked for by a label that is nobody's. Reverse names of a node without planned
addresses are those of the addresses that its name leads to; what they name is looked up again.
"""

import asyncio
from collections.abc import Callable
from functools import partial

from probe.limits import Limits
from probe.observation.model import LookupAsk, LookupOutcome, Question
from probe.observe.dns import LookupSeen, Resolvers
from probe.observe.dnsquestions import (
    ADDRESS_TYPES,
    WILDCARD,
    address_type,
    is_reverse,
    reverse_name,
)
from probe.observe.notebook import Answer, Notebook
from probe.plan.addresses import is_address
from probe.plan.model import Resolver
from probe.records import replace

Over = Callable[[Question, LookupAsk, asyncio.Future[Answer]], None]

_Told = list[tuple[LookupAsk, Answer]]


class Names:
    """What resolvers say of names. `close` it in the end."""

    def __init__(self, limits: Limits, notebook: Notebook, label: str) -> None:
        self._limits = limits
        self._notebook = notebook
        self._label = label
        """Stands in for the star of a wildcard."""
        self._resolvers = Resolvers(limits)
        self._answers: dict[LookupAsk, asyncio.Future[Answer]] = {}

    def look_up(self, question: Question, ask: LookupAsk, over: Over) -> None:
        """Ask one question; what was said is for `over`, with what was asked in its place."""
        if ask.name.startswith(WILDCARD):
            ask = replace(ask, name=ask.name.replace(WILDCARD, self._label, 1))
        self._answer(ask).add_done_callback(partial(over, question, ask))

    async def addresses(self, host: str, resolvers: tuple[Resolver, ...]) -> tuple[str, ...]:
        """Return every address that any of the resolvers gives for a host."""
        if is_address(host):
            return (host,)
        answers = [
            self._answer(LookupAsk(host, kind, resolver.at, resolver.view))
            for resolver in resolvers
            for kind in ADDRESS_TYPES
        ]
        told = await _all(answers)
        return tuple(dict.fromkeys(place for answer in told for place in answer.seen.data))

    async def close(self) -> None:
        """Close every socket."""
        await self._resolvers.close()

    def _answer(self, ask: LookupAsk) -> asyncio.Future[Answer]:
        """Ask a resolver, once, whoever needs the answer: none of them may cancel it."""
        known = self._answers.get(ask)
        if known is not None:
            return known
        loop = asyncio.get_running_loop()
        answer = self._answers[ask] = loop.create_future()
        at, began = self._notebook.clock(), loop.time()

        def over(seen: LookupSeen) -> None:
            answer.set_result(Answer(at, loop.time() - began, seen))

        self._resolvers.begin(ask, over, answer.set_exception)
        return answer

    # ------------------------------------------------------------ reverse names

    async def look_up_backwards(self, question: Question, ask: LookupAsk) -> None:
        """Ask for what is at an address, or at those of a name, and note what was said."""
        names: tuple[str, ...] = (ask.name,)
        if not is_reverse(ask.name):
            # Each resolver is asked about what it says itself: an inner view has inner names.
            resolver = Resolver(ask.resolver, ask.view)
            found = await self.addresses(ask.name, (resolver,))
            names = tuple(reverse_name(one) for one in found[: self._limits.dns_addresses])
            if not names:
                self._notebook.nothing_to_ask(question)
        told = await asyncio.gather(
            *(self._there_and_back(replace(ask, name=name)) for name in names)
        )
        for answers in told:
            for asked, answer in answers:
                self._notebook.looked_up(question, asked, answer)

    async def _there_and_back(self, ask: LookupAsk) -> _Told:
        """Ask for what is at an address, and where the names lead that come back."""
        (answer,) = await _all([self._answer(ask)])
        told = [(ask, answer)]
        if answer.seen.outcome is LookupOutcome.ANSWERED:
            kind = address_type(ask.name)
            back = [
                replace(ask, name=name, type=kind)
                for name in answer.seen.data[: self._limits.dns_reverse_names]
            ]
            told += zip(back, await _all([self._answer(one) for one in back]), strict=True)
        return told


async def _all(answers: list[asyncio.Future[Answer]]) -> list[Answer]:
    """Wait for answers. Who gives up takes them from nobody else who waits for them."""
    if answers:
        await asyncio.wait(answers)
    return [answer.result() for answer in answers]
