"""Asks about the names of an agenda, each record once, and turns answers into further questions.

A wildcard is asked for by a label that is nobody's. Reverse names of a node without planned
addresses are those of the addresses that its name leads to; what they name is looked up again.
"""

import asyncio

from probe.limits import Limits
from probe.observation.model import LookupAsk, LookupOutcome, Question
from probe.observe.dns import Resolvers
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

    async def look_up(self, question: Question, ask: LookupAsk, group: asyncio.TaskGroup) -> None:
        """Ask one question and note what was said."""
        if ask.type == "PTR":
            await self._look_up_backwards(question, ask, group)
            return
        if ask.name.startswith(WILDCARD):
            ask = replace(ask, name=ask.name.replace(WILDCARD, self._label, 1))
        self._notebook.looked_up(question, ask, await self._answered(ask))

    async def addresses(
        self, host: str, resolvers: tuple[Resolver, ...], group: asyncio.TaskGroup
    ) -> tuple[str, ...]:
        """Return every address that any of the resolvers gives for a host."""
        if is_address(host):
            return (host,)
        answers = [
            self._answer(LookupAsk(host, kind, resolver.at, resolver.view), group)
            for resolver in resolvers
            for kind in ADDRESS_TYPES
        ]
        found: dict[str, None] = {}
        for answer in answers:
            found.update(dict.fromkeys((await answer).seen.data))
        return tuple(found)

    async def close(self) -> None:
        """Close every socket."""
        await self._resolvers.close()

    def _answer(self, ask: LookupAsk, group: asyncio.TaskGroup) -> asyncio.Future[Answer]:
        """Ask a resolver, once, whoever needs the answer."""
        if ask not in self._answers:
            self._answers[ask] = group.create_task(self._ask(ask))
        return self._answers[ask]

    async def _answered(self, ask: LookupAsk) -> Answer:
        """Do the same and wait for the answer, without a task for it."""
        if ask in self._answers:
            return await self._answers[ask]
        answer = self._answers[ask] = asyncio.get_running_loop().create_future()
        try:
            found = await self._ask(ask)
            answer.set_result(found)
        finally:
            answer.cancel()  # where it has not come, nobody need wait for it
        return found

    async def _ask(self, ask: LookupAsk) -> Answer:
        loop = asyncio.get_running_loop()
        at, began = self._notebook.clock(), loop.time()
        seen = await self._resolvers.ask(ask)
        return Answer(at, loop.time() - began, seen)

    # ------------------------------------------------------------ reverse names

    async def _look_up_backwards(
        self, question: Question, ask: LookupAsk, group: asyncio.TaskGroup
    ) -> None:
        names: tuple[str, ...] = (ask.name,)
        if not is_reverse(ask.name):
            # Each resolver is asked about what it says itself: an inner view has inner names.
            resolver = Resolver(ask.resolver, ask.view)
            found = await self.addresses(ask.name, (resolver,), group)
            names = tuple(reverse_name(one) for one in found[: self._limits.dns_addresses])
            if not names:
                self._notebook.nothing_to_ask(question)
        told = await asyncio.gather(
            *(self._there_and_back(replace(ask, name=name), group) for name in names)
        )
        for answers in told:
            for asked, answer in answers:
                self._notebook.looked_up(question, asked, answer)

    async def _there_and_back(self, ask: LookupAsk, group: asyncio.TaskGroup) -> _Told:
        """Ask for what is at an address, and where the names lead that come back."""
        answer = await self._answer(ask, group)
        told = [(ask, answer)]
        if answer.seen.outcome is LookupOutcome.ANSWERED:
            kind = address_type(ask.name)
            back = [
                replace(ask, name=name, type=kind)
                for name in answer.seen.data[: self._limits.dns_reverse_names]
            ]
            tasks = [self._answer(one, group) for one in back]
            told += [(one, await task) for one, task in zip(back, tasks, strict=True)]
        return told
