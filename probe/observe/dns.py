"""Asks resolvers about names: what each says, over aliases, by UDP and TCP.

The messages are dnspython's; its resolver is not used, as it hides what is to be observed here:
which server said what.
"""

import asyncio
from collections.abc import Callable
from dataclasses import dataclass

import dns.message
import dns.rcode
import dns.resolver

from probe.limits import Limits
from probe.observation.model import LookupAsk, LookupOutcome
from probe.observe.answer import Trail
from probe.observe.nameserver import CutShortError, Nameserver, NoReplyError
from probe.plan.addresses import split_address

PORT = 53

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
    try:
        return tuple(str(server) for server in dns.resolver.Resolver().nameservers)
    except dns.resolver.NoResolverConfiguration:
        return ()


class Resolvers:
    """Every resolver that is asked, each with one socket. `close` them in the end."""

    def __init__(
        self, limits: Limits, *, system: Callable[[], tuple[str, ...]] = system_nameservers
    ) -> None:
        self._limits = limits
        self._system = system
        self._resolvers: dict[str, _Resolver] = {}

    async def ask(self, ask: LookupAsk) -> LookupSeen:
        """Ask one resolver for one type of record. Never raises for what the network does."""
        trail = Trail(ask.name, ask.type, self._limits.dns_aliases)
        resolver = self._resolver(ask.resolver)
        loop = asyncio.get_running_loop()
        deadline = loop.time() + self._limits.dns_visit
        try:
            while not trail.read(await resolver.ask(trail)):
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
            dnssec="secure" if trail.data and trail.secure else None,
        )

    async def close(self) -> None:
        """Close every socket."""
        for resolver in self._resolvers.values():
            await resolver.close()

    def _resolver(self, at: str) -> "_Resolver":
        if at not in self._resolvers:
            places = self._system() if at == "system" else (at,)
            servers = [Nameserver(*split_address(place, PORT), self._limits) for place in places]
            self._resolvers[at] = _Resolver(servers, self._limits.dns_tries)
        return self._resolvers[at]


class _Resolver:
    """One server, or the machine's own: then the next one is asked when one is silent."""

    def __init__(self, servers: list[Nameserver], tries: int) -> None:
        self._servers = servers
        self._tries = tries
        self._first = 0
        """The server that answered last: a dead one costs its time once, not for each question."""

    async def ask(self, trail: Trail) -> dns.message.Message:
        if not self._servers:
            raise NoReplyError("this machine is configured with no resolver")
        said: list[NoReplyError] = []
        first = self._first
        for attempt in range(self._tries * len(self._servers)):
            number = (first + attempt) % len(self._servers)
            server = self._servers[number]
            try:
                response = await server.ask(trail.name, trail.type)
                if response.rcode() in _WITHOUT_EDNS:
                    response = await server.ask(trail.name, trail.type, edns=False)
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
