"""What is tried after a visit of a RADIUS server has failed, to narrow down why.

Silence has many reasons that look alike from here: each trial changes one thing. They are few,
each at most once for a server and a run, and all within the time of the visit that failed. Those
that open a session at the server end it politely, as every conversation does.
"""

import asyncio
import errno
from collections.abc import Awaitable, Callable

from probe.observation.model import Outcome, Phase, Trial, TrialKind
from probe.observe.talk import Asking, Silence, Talk
from probe.observe.visit import network_outcome
from probe.observe.webquestions import CURRENT, OLD
from probe.records import dataclass, replace
from probe.wire.hello import can_offer
from probe.wire.radius import LARGEST_PACKET, LEAST_PADDING, SecretDiffers, padding

Claim = Callable[[TrialKind], bool | None]
"""Whether a trial may be made: True; False, it has been made; None, there is no room for one more
failed authentication at present."""

LOGGED = frozenset(TrialKind) - {TrialKind.STATUS_SERVER}
"""Trials that leave a failed authentication behind. Status-Server is no authentication."""

MOST_LOGGED = len(LOGGED)
"""Trials of one server that are logged, at most: each once, as one method may fall silent there and
another be refused."""

_EVERY_VERSION = (*OLD, *CURRENT)
_NO_MORE_FILES = (errno.EMFILE, errno.ENFILE)


def none_allowed(kind: TrialKind) -> bool | None:  # noqa: ARG001  # a `Claim`
    """Allow no trial."""
    return False


@dataclass(frozen=True, slots=True)
class _Result:
    outcome: Outcome
    detail: str | None
    replied_from: str | None = None


class Trials:
    """Tries, after one visit."""

    def __init__(self, asking: Asking, failed: Talk, claim: Claim, deadline: float) -> None:
        limits = asking.limits
        self._asking = asking
        self._failed = failed
        self._claim = claim
        self._deadline = deadline
        self._made: list[Trial] = []
        wait = min(limits.trial_wait, limits.radius_silence)
        self._wait = wait
        silence = min(limits.trial_silence, limits.radius_silence)
        self._patient = replace(asking, limits=replace(limits, radius_silence=silence))
        once = replace(
            limits,
            radius_tries=1,
            radius_first_wait=wait,
            radius_longest_wait=wait,
            radius_silence=wait,
        )
        self._once = replace(asking, limits=once, jitter=lambda: 0.0)

    async def run(self) -> tuple[Trial, ...]:
        """Make the trials that fit how the visit failed. Return them in a fixed order."""
        ending, silence = self._failed.ending, self._failed.silence
        if silence is Silence.AT_ONCE:
            await self._after_silence_at_once()
        elif silence is Silence.LATER:
            await self._after_silence_later()
        elif ending.outcome is Outcome.REFUSED and ending.phase is Phase.HELLO:
            await self._try(TrialKind.WIDER_OFFER, self._wider)
        order = tuple(TrialKind)
        return tuple(sorted(self._made, key=lambda trial: order.index(trial.kind)))

    async def _after_silence_at_once(self) -> None:
        """Is it us, the request, or the way back?"""
        async with asyncio.TaskGroup() as together:
            together.create_task(self._try(TrialKind.STATUS_SERVER, self._status))
            together.create_task(self._try(TrialKind.UNCONNECTED, self._knock_unconnected))

    async def _after_silence_later(self) -> None:
        """Is it the size, which way, or the way back?"""
        smaller = await self._try(TrialKind.SMALLER_REPLIES, self._smaller)
        if smaller is not None and smaller.outcome is not Outcome.SERVED:
            await self._try(TrialKind.UNCONNECTED, self._converse_unconnected)
        await self._try(TrialKind.LARGE_REQUEST, self._large)

    # ------------------------------------------------------------ one trial

    async def _try(self, kind: TrialKind, trial: Callable[[], Awaitable[_Result]]) -> Trial | None:
        """Make a trial, if it may be made and there is time, and note it."""
        loop = asyncio.get_running_loop()
        began = loop.time()
        if began >= self._deadline:
            return None
        allowed = self._claim(kind)
        if allowed is None:
            says = "as many failed authentications as are allowed in a minute have been caused"
            made = Trial(kind, Outcome.NOT_ASKED, says)
        elif not allowed:
            return None
        else:
            result = await trial()
            seconds = loop.time() - began
            made = Trial(kind, result.outcome, result.detail, result.replied_from, seconds)
        self._made.append(made)
        return made

    async def _status(self) -> _Result:
        """Status-Server, over the socket of the visit: the server knows us by its address."""
        exchange = self._failed.exchange
        request = exchange.status_request()
        try:
            reply = await exchange.ask(request, self._soon())
        except OSError as error:
            return _error(error)
        if reply is not None:
            return _Result(Outcome.SERVED, reply.kind)
        if exchange.doubt is None:
            return _Result(Outcome.SILENT, f"no reply within {self._wait:g} s")
        differs = isinstance(exchange.doubt, SecretDiffers)
        outcome = Outcome.SECRET_DIFFERS if differs else Outcome.MALFORMED
        return _Result(outcome, str(exchange.doubt))

    async def _knock_unconnected(self) -> _Result:
        """The start once more, where replies may come from anywhere."""
        async with self._once.talk() as talk:
            await self._bind(talk)
            return await self._knock(talk)

    async def _converse_unconnected(self) -> _Result:
        """The conversation once more, where replies may come from anywhere."""
        async with self._patient.talk() as talk:
            await self._bind(talk)
            return await self._converse(talk)

    async def _smaller(self) -> _Result:
        """The conversation once more, with small packets both ways."""
        mtu = min(self._asking.limits.small_framed_mtu, self._asking.peer.settings.framed_mtu)
        async with self._patient.talk(framed_mtu=mtu) as talk:
            await self._connect(talk)
            result = await self._converse(talk)
            came = talk.exchange.largest_reply
        said = f"Framed-MTU {mtu}: {result.detail}"
        if came is not None:
            said = f"{said}; the longest reply had {came} octets"
        return replace(result, detail=said)

    async def _large(self) -> _Result:
        """The start once more, in a large datagram."""
        plain = self._once.talk()
        usual = len(plain.exchange.request(plain.conversation.start()).octets)
        octets = min(self._asking.limits.large_request_bytes, LARGEST_PACKET)
        async with self._once.talk(more=padding(max(LEAST_PADDING, octets - usual))) as talk:
            await self._connect(talk)
            result = await self._knock(talk)
        return replace(result, detail=f"a request of {octets} octets: {result.detail}")

    async def _wider(self) -> _Result:
        """The conversation once more, with every version that this machine speaks, and suites and
        groups that no other hello of ours has."""
        ask = replace(self._asking.ask, tls=can_offer(_EVERY_VERSION, None), key_family=None)
        async with replace(self._patient, ask=ask).talk(everything=True) as talk:
            await self._connect(talk)
            result = await self._converse(talk)
            served = talk.conversation.served
        if served is None or served.tls is None:
            return result
        chosen = ", ".join(filter(None, (served.cipher, served.group)))
        return replace(result, detail=f"{served.tls}: {result.detail}, by {chosen}")

    # ------------------------------------------------------------ how

    def _soon(self) -> float:
        return min(self._deadline, asyncio.get_running_loop().time() + self._wait)

    async def _connect(self, talk: Talk) -> None:
        await talk.connect(self._asking.peer.address, self._asking.ask.port)

    async def _bind(self, talk: Talk) -> None:
        source = str(self._failed.exchange.datagrams.source)
        await talk.bind(source, self._asking.peer.address, self._asking.ask.port)

    async def _knock(self, talk: Talk) -> _Result:
        """Any reply that verifies shows that datagrams get there and back."""
        await talk.knock(self._deadline, says="answered")
        ending, reply = talk.ending, talk.exchange.seen.reply
        await talk.leave()
        if reply is not None:
            return _Result(Outcome.SERVED, reply, talk.exchange.elsewhere)
        return _Result(ending.outcome, ending.detail)

    async def _converse(self, talk: Talk) -> _Result:
        await talk.run(self._deadline)
        ending, trips = talk.ending, talk.conversation.round_trips
        await talk.leave()
        served = ending.outcome is Outcome.SERVED
        says = f"the chain came after {trips} round trips" if served else ending.detail
        return _Result(ending.outcome, says, talk.exchange.elsewhere)


def _error(error: OSError) -> _Result:
    if error.errno in _NO_MORE_FILES:
        return _Result(Outcome.NOT_ASKED, "this machine has no socket left")
    outcome, detail = network_outcome(error)
    return _Result(outcome, detail)
