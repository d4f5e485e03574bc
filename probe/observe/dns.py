"""Asks resolvers about names: what each says, over aliases, by UDP and TCP.

The library's resolver is not used, as it hides what is to be observed here: which server said what.
"""

import asyncio
from collections.abc import Callable, Generator
from typing import TYPE_CHECKING, Any, TypeVar

import dns.rcode

from probe.limits import Limits
from probe.observation.model import LookupAsk, LookupOutcome
from probe.observe.answer import Trail, is_answer, is_unexplained
from probe.observe.dnsquestions import ADDRESS_TYPES, NAME_CHARACTERS
from probe.observe.message import Response
from probe.observe.nameserver import CutShortError, Nameserver, NoReplyError
from probe.plan.addresses import split_address
from probe.records import dataclass, replace

if TYPE_CHECKING:
    from dns.resolver import Resolver

PORT = 53

SYSTEM = "system"
"""The plan's word for the resolver that this machine itself uses."""

_WITHOUT_EDNS = frozenset({dns.rcode.FORMERR, dns.rcode.NOTIMP, dns.rcode.BADVERS})
"""What a server says that does not know EDNS (RFC 6891, 7)."""


@dataclass(frozen=True, slots=True)
class LookupSeen:
    """What a resolver said; `Lookup` without the question."""

    outcome: LookupOutcome
    detail: str | None
    aliases: tuple[str, ...]
    data: tuple[str, ...]
    ttl: int | None
    dnssec: str | None


def system_nameservers() -> tuple[str, ...]:
    """Return the addresses of the name servers that this machine is configured with."""
    system = _system()
    return () if system is None else tuple(str(server) for server in system.nameservers)


def system_suffixes() -> tuple[str, ...]:
    """Return the suffixes with which this machine completes short names, first tried first."""
    system = _system()
    if system is None:
        return ()
    # resolv.conf(5): without a search list, it is the machine's own domain alone.
    suffixes = system.search or [system.domain]
    found = (name.to_text(omit_final_dot=True) for name in suffixes)
    return tuple(name for name in found if name not in ("", ".", "@"))


def _system() -> "Resolver | None":
    from dns.resolver import (  # noqa: PLC0415  # it takes some forty modules along
        NoResolverConfiguration,
        Resolver,
    )

    try:
        return Resolver()
    except NoResolverConfiguration:
        return None


class Resolvers:
    """Every resolver that is asked, each with sockets of its own. `close` them in the end."""

    def __init__(
        self,
        limits: Limits,
        *,
        system: Callable[[], tuple[str, ...]] = system_nameservers,
        suffixes: Callable[[], tuple[str, ...]] = system_suffixes,
    ) -> None:
        self._limits = limits
        self._system = system
        self._suffixes = suffixes
        self._resolvers: dict[str, _Resolver] = {}

    def begin(
        self,
        ask: LookupAsk,
        over: Callable[[LookupSeen], None],
        failed: Callable[[Exception], None],
    ) -> None:
        """Ask one resolver for one type of record, and call `over` with what was said, or `failed`
        with an error of ours, never for what the network does; they must not raise. Nothing has to
        wait for it, so that it takes no task.

        A name is asked for as it stands. If the machine's own resolver is asked for the address of
        a name of one label, `detail` tells besides where the search suffixes of this machine lead.
        """
        resolver = self._resolver(ask.resolver)
        # Of a top-level domain CAA is asked: that is no short name.
        if ask.resolver == SYSTEM and ask.type in ADDRESS_TYPES and "." not in ask.name:
            steps = self._short(resolver, ask)
        else:
            steps = self._follow(resolver, ask.name, ask.type)
        _Lookup(steps, over, failed).go_on(None)

    def _short(self, resolver: "_Resolver", ask: LookupAsk) -> "_Steps[LookupSeen]":
        seen = yield from self._follow(resolver, ask.name, ask.type)
        completed = yield from self._completed(resolver, ask, found=bool(seen.data))
        if completed is None:
            return seen
        return replace(seen, detail="; ".join(note for note in (seen.detail, completed) if note))

    def _follow(self, resolver: "_Resolver", name: str, record_type: str) -> "_Steps[LookupSeen]":
        trail = Trail(name, record_type, self._limits)
        loop = asyncio.get_running_loop()
        deadline = loop.time() + self._limits.dns_visit
        try:
            while not trail.read((yield from _response(resolver, trail))):
                if loop.time() >= deadline:
                    trail.silence(f"gave up behind {len(trail.aliases)} aliases")
                    break
        except NoReplyError as error:
            (trail.malformed if error.malformed else trail.silence)(error.says)
        except CutShortError as error:
            trail.failed(error.says)
        return LookupSeen(
            outcome=trail.outcome,
            detail=trail.detail,
            aliases=tuple(trail.aliases),
            data=trail.data,
            ttl=trail.ttl,
            dnssec=trail.dnssec,
        )

    def _completed(
        self, resolver: "_Resolver", ask: LookupAsk, *, found: bool
    ) -> "_Steps[str | None]":
        """Return in words where a short name leads that is completed as stub resolvers do it.

        `found`: the name leads somewhere as it stands.
        """
        loop = asyncio.get_running_loop()
        deadline = loop.time() + self._limits.dns_visit
        suffixes = self._suffixes()[: self._limits.dns_suffixes]
        for suffix in suffixes:
            name = f"{ask.name}.{suffix}"
            if len(name) > NAME_CHARACTERS or loop.time() >= deadline:
                continue
            seen = yield from self._follow(resolver, name, ask.type)
            if seen.data:
                return f"by a search suffix of this machine it is {name}: {', '.join(seen.data)}"
        if found or not suffixes:
            return None
        return f"nor is there an answer by this machine's search suffixes: {', '.join(suffixes)}"

    async def close(self) -> None:
        """Close every socket."""
        for resolver in self._resolvers.values():
            await resolver.close()

    def _resolver(self, at: str) -> "_Resolver":
        if at not in self._resolvers:
            places = self._system() if at == SYSTEM else (at,)
            servers = [Nameserver(*split_address(place, PORT), self._limits) for place in places]
            self._resolvers[at] = _Resolver(servers, self._limits.dns_tries)
        return self._resolvers[at]


_T = TypeVar("_T")
_Steps = Generator[tuple[Nameserver, Trail, bool, bool], Any, _T]
"""The steps of a lookup, each a question: to whom, for where a trail has come to, with EDNS or
without, with validation or without. Into it goes the response."""


class _Lookup:
    """One lookup on its way, which goes on with whatever comes."""

    __slots__ = ("_failed", "_over", "_steps")

    def __init__(
        self,
        steps: _Steps[LookupSeen],
        over: Callable[[LookupSeen], None],
        failed: Callable[[Exception], None],
    ) -> None:
        self._steps = steps
        self._over = over
        self._failed = failed

    def go_on(self, came: Response | Exception | None) -> None:
        """Ask the next question, now that this came of the last one; None: the first."""
        steps = self._steps
        try:
            asking = steps.throw(came) if isinstance(came, Exception) else steps.send(came)
            server, trail, edns, checked = asking
            server.ask(trail.name, trail.type, self.go_on, edns=edns, checked=checked)
        except StopIteration as end:
            self._over(end.value)
        except Exception as error:
            self._failed(error)


def _response(resolver: "_Resolver", trail: Trail) -> "_Steps[Response]":
    """Ask for where a trail has come to, and where a resolver fails, find out whether validation
    is why: then it has an answer if none is asked for (RFC 4035, 3.2.2). Raises NoReplyError and
    CutShortError.
    """
    response: Response = yield from resolver.ask(trail)
    if not is_unexplained(response):
        return response
    try:
        if not is_answer((yield from resolver.ask(trail, checked=False))):
            return response
        # What failed may have been mended in between: only a failure on both sides proves it.
        again = yield from resolver.ask(trail)
    except (NoReplyError, CutShortError):
        return response
    trail.answers_unchecked = is_unexplained(again)
    return again


class _Resolver:
    """One server, or the machine's own: then the next one is asked when one is silent."""

    def __init__(self, servers: list[Nameserver], tries: int) -> None:
        self._servers = servers
        self._tries = tries
        self._first = 0
        """The server that answered last: a dead one costs its time once, not for each question."""

    def ask(self, trail: Trail, *, checked: bool = True) -> "_Steps[Response]":
        if not self._servers:
            raise NoReplyError("this machine is configured with no resolver")
        said: list[NoReplyError] = []
        first = self._first
        for attempt in range(self._tries * len(self._servers)):
            number = (first + attempt) % len(self._servers)
            server = self._servers[number]
            # RFC 6891, 6.2.6: there are paths that let no EDNS through; stub resolvers use none.
            edns = attempt // len(self._servers) % 2 == 0
            try:
                response: Response = yield server, trail, edns, checked
                if edns and response.rcode in _WITHOUT_EDNS:
                    response = yield server, trail, False, checked
            except NoReplyError as error:
                said.append(error)
            else:
                self._first = number
                return response
        raise NoReplyError(
            "; ".join(dict.fromkeys(error.says for error in said)),
            malformed=any(error.malformed for error in said),
        )

    async def close(self) -> None:
        for server in self._servers:
            await server.close()
