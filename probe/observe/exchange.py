"""Requests to one RADIUS server over one socket, sent again as RFC 5080 wants, and their replies.

What comes is taken for a reply if its authenticators verify; all else is remembered as a doubt, as
it may be somebody else's, and the good reply may still come.
"""

import asyncio
import random
from collections.abc import Callable, Sequence

from probe.limits import Limits
from probe.observation.model import RadiusSeen
from probe.observe.datagrams import Datagrams
from probe.observe.retransmission import waits
from probe.wire.radius import (
    RadiusError,
    Reply,
    ReplyNotOurs,
    Request,
    SecretDiffers,
    Value,
    build_request,
    read_reply,
    status_attributes,
    status_server,
)
from probe.wire.replies import RepliesSeen

_CLEAR_ENOUGH = 2
"""Transmissions of one request that are answered by what does not verify until it is clear that
the secret differs. One reply may be somebody else's."""


def uniform_jitter() -> float:
    """Return RAND of RFC 5080, 2.2.1."""
    return random.uniform(-0.1, 0.1)  # noqa: S311  # spreads load, protects nothing


class Exchange:
    """Sends requests and awaits replies. Its socket is opened and closed by whoever has it."""

    def __init__(
        self,
        secret: bytes,
        attributes: Sequence[tuple[str, Value]],
        limits: Limits,
        jitter: Callable[[], float] = uniform_jitter,
    ) -> None:
        self.datagrams = Datagrams()
        self.doubt: RadiusError | None = None
        """What was wrong with a reply to the request that is in flight."""
        self.elsewhere: str | None = None
        """Where the last reply came from that came from elsewhere than it was asked for."""
        self.largest_reply: int | None = None
        """Octets of the longest datagram that came."""
        self._secret = secret
        self._attributes = tuple(attributes)
        self._limits = limits
        self._jitter = jitter
        self._identifier = random.getrandbits(8)  # an ordinal, not a secret
        self._first: Request | None = None
        self._replies = RepliesSeen()
        self._transmissions = 0
        self._unverified = 0
        """Replies whose authenticators did not verify."""

    @property
    def seen(self) -> RadiusSeen:
        """What was sent and what came, so far."""
        return self._replies.seen(self._first, self._transmissions, self.largest_reply)

    def request(self, eap: bytes, *, signed: bool = True) -> Request:
        """Return the next request of a conversation, with the State of the last reply.

        RFC 2865, 5.24: it goes back unaltered. `signed`: whether a Message-Authenticator is there.
        """
        request = build_request(
            self._secret,
            self._next(),
            self._attributes,
            eap=eap,
            state=self._replies.state,
            signed=signed,
        )
        self._first = self._first or request
        return request

    def status_request(self) -> Request:
        """Return a Status-Server request. RFC 5997, 3: it names the client, and no user."""
        client = status_attributes(self._attributes)
        return status_server(self._secret, self._next(), client)

    async def ask(self, request: Request, deadline: float) -> Reply | None:
        """Send a request, and again until its reply comes; None: it has not come. Raises OSError
        for what ICMP says.

        It is sent once even at the deadline, as whoever gives up then waits for its reply. Where
        each of several transmissions was answered, and only by what does not verify, more of them
        would tell nothing new.
        """
        loop = asyncio.get_running_loop()
        self.doubt = None
        answered_wrongly = 0
        limits = self._limits
        schedule = waits(
            limits.radius_first_wait,
            limits.radius_longest_wait,
            limits.radius_tries,
            limits.radius_silence,
            self._jitter,
        )
        for number, wait in enumerate(schedule):
            if number and loop.time() >= deadline:
                break
            self._transmissions += 1
            self.datagrams.send(request.octets)
            before = self._unverified
            reply = await self.reply(request, min(deadline, loop.time() + wait))
            if reply is not None:
                return reply
            answered_wrongly += self._unverified > before
            if answered_wrongly == _CLEAR_ENOUGH:
                break
        return None

    async def reply(self, request: Request, deadline: float) -> Reply | None:
        """Wait for the reply to a request that was sent. Raises OSError for what ICMP says."""
        loop = asyncio.get_running_loop()
        while True:
            came = await self.datagrams.receive(deadline)
            if came is None:
                return None
            octets, elsewhere = came
            self.largest_reply = max(self.largest_reply or 0, len(octets))
            reply = self._read(octets, request, elsewhere)
            if reply is not None:
                self.elsewhere = elsewhere or self.elsewhere
                return self._replies.take(reply)
            if loop.time() >= deadline:
                return None  # whoever floods us gets no more time for it

    def _next(self) -> int:
        self._identifier = (self._identifier + 1) % 256
        return self._identifier

    def _read(self, octets: bytes, request: Request, elsewhere: str | None) -> Reply | None:
        try:
            return read_reply(octets, request, self._secret)
        except ReplyNotOurs:
            return None
        except RadiusError as error:
            if elsewhere is not None:
                return None  # anybody may send to an unconnected socket
            self._unverified += isinstance(error, SecretDiffers)
            if not isinstance(self.doubt, SecretDiffers):
                self.doubt = error
            return None
