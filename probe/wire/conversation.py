"""One EAP conversation from the peer's side, up to the served chain. No socket, no clock."""

from probe.limits import Limits
from probe.observation.model import EapSeen, Method, Outcome, Phase, Served
from probe.wire.radius import Reply
from probe.wire.tls import Hello


class Conversation:
    """Asks one server, by one of several acceptable methods, for its chain."""

    finished: bool
    outcome: Outcome
    """Meaningful once `finished`."""
    phase: Phase
    detail: str | None
    alert: str | None
    round_trips: int
    """Access-Requests answered until the chain was in hand or the visit ended."""
    served: Served | None
    certificates: tuple[bytes, ...]
    seen: EapSeen

    def __init__(
        self,
        *,
        identity: str,
        methods: tuple[Method, ...],
        hello: Hello,
        fragment_size: int,
        limits: Limits,
    ) -> None:
        raise NotImplementedError

    def start(self) -> bytes:
        """Return the Response/Identity for the first Access-Request."""
        raise NotImplementedError

    def receive(self, reply: Reply) -> bytes | None:
        """Take a reply; return the next EAP response, or None: `finished`."""
        raise NotImplementedError

    def silence(self) -> None:
        """Note that the transport gave up waiting: silent (first round) or cut-off (later)."""
        raise NotImplementedError

    def farewell(self) -> bytes | None:
        """Return the EAP response with the polite end, to be sent once after `finished`, with the
        State of the last reply; None if the server waits for nothing."""
        raise NotImplementedError
