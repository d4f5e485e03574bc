"""Requests to one RADIUS server over one socket, sent again as RFC 5080 wants, and their replies.

What comes is taken for a reply if its authenticators verify; all else is remembered as a doubt, as
it may be somebody else's, and the good reply may still come.
"""

import asyncio
import random
from collections.abc import Callable, Iterator, Sequence

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


Then = Callable[[Reply], Request | None]
"""Takes a reply; returns what is asked next, if anything is."""


def _nothing_more(reply: Reply) -> None:
    """Ask nothing next."""


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
        self._asked = False
        self._replies = RepliesSeen()
        self._transmissions = 0
        self._unverified = self._unverified_before = 0
        """Replies whose authenticators did not verify: all, and before the last transmission."""
        self._request: Request | None = None
        """What is in flight."""
        self._then: Then = _nothing_more
        self._deadline = 0.0
        self._waits: Iterator[float] = iter(())
        self._answered_wrongly = 0
        """Transmissions of it that were answered, and only by what does not verify."""

    @property
    def seen(self) -> RadiusSeen:
        """What was sent and what came, so far."""
        asked = self._attributes if self._asked else None
        return self._replies.seen(asked, self._transmissions, self.largest_reply)

    def request(self, eap: bytes, *, signed: bool = True) -> Request:
        """Return the next request of a conversation, with the State of the last reply.

        RFC 2865, 5.24: it goes back unaltered. `signed`: whether a Message-Authenticator is there.
        """
        self._asked = True
        return build_request(
            self._secret,
            self._next(),
            self._attributes,
            eap=eap,
            state=self._replies.state,
            signed=signed,
        )

    def status_request(self) -> Request:
        """Return a Status-Server request. RFC 5997, 3: it names the client, and no user."""
        client = status_attributes(self._attributes)
        return status_server(self._secret, self._next(), client)

    async def ask(
        self, request: Request, deadline: float, then: Then = _nothing_more
    ) -> Reply | None:
        """Send a request, and again until its reply comes, and so on with what is asked `then`.
        Return the last reply; None: it has not come. Raises OSError for what ICMP says.

        It is sent once even at the deadline, as whoever gives up then waits for its reply. Where
        each of several transmissions was answered, and only by what does not verify, more of them
        would tell nothing new.
        """
        loop = asyncio.get_running_loop()
        self._then, self._deadline = then, deadline
        wait = self._begin(request)
        while wait is not None:
            until = min(deadline, loop.time() + wait)
            if await self.datagrams.listen(until, self._heard):
                return self._replies.last
            self._answered_wrongly += self._unverified > self._unverified_before
            if self._answered_wrongly == _CLEAR_ENOUGH or loop.time() >= deadline:
                break
            wait = self._send()
        return None

    async def reply(self, request: Request, deadline: float) -> Reply | None:
        """Wait for the reply to a request that was sent. Raises OSError for what ICMP says."""
        self._request, self._then = request, _nothing_more
        came = await self.datagrams.listen(deadline, self._heard)
        return self._replies.last if came else None

    def _begin(self, request: Request) -> float | None:
        """Send a request for the first time. Return for how long it is waited then."""
        limits = self._limits
        self.doubt = None
        self._request = request
        self._answered_wrongly = 0
        self._waits = waits(
            limits.radius_first_wait,
            limits.radius_longest_wait,
            limits.radius_tries,
            limits.radius_silence,
            self._jitter,
        )
        return self._send()

    def _send(self) -> float | None:
        """Send the request if it is its turn again, and return for how long it is waited then."""
        wait = next(self._waits, None)
        if wait is not None and self._request is not None:
            self._transmissions += 1
            self._unverified_before = self._unverified
            self.datagrams.send(self._request.octets)
        return wait

    def _heard(self, octets: bytes, elsewhere: str | None) -> bool:
        """Take a datagram, and send what is asked then. Return whether nothing is."""
        self.largest_reply = max(self.largest_reply or 0, len(octets))
        reply = self._read(octets, elsewhere)
        if reply is None:
            return False
        self.elsewhere = elsewhere or self.elsewhere
        self._replies.take(reply)
        request = self._then(reply)
        wait = None if request is None else self._begin(request)
        if wait is None:
            return True
        now = asyncio.get_running_loop().time()
        self.datagrams.until(min(self._deadline, now + wait))
        return False

    def _next(self) -> int:
        self._identifier = (self._identifier + 1) % 256
        return self._identifier

    def _read(self, octets: bytes, elsewhere: str | None) -> Reply | None:
        assert self._request is not None  # noqa: S101  # it is what is waited for
        try:
            return read_reply(octets, self._request, self._secret)
        except ReplyNotOurs:
            return None
        except RadiusError as error:
            if elsewhere is not None:
                return None  # anybody may send to an unconnected socket
            self._unverified += isinstance(error, SecretDiffers)
            if not isinstance(self.doubt, SecretDiffers):
                self.doubt = error
            return None
