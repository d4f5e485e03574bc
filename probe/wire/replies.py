"""What the RADIUS replies of one conversation have shown so far, over whatever carries them."""

from probe.observation.model import RadiusSeen
from probe.wire.radius import Reply, Value, sent_as


class RepliesSeen:
    """Takes each reply that verified."""

    def __init__(self) -> None:
        self.last: Reply | None = None
        self.signed: bool | None = None
        """Whether every reply with EAP carried a Message-Authenticator (RFC 3579, 3.1); None: there
        was none."""
        self.signed_first: bool | None = None
        """Whether it was the first attribute of every reply; None: none came."""

    @property
    def state(self) -> bytes | None:
        """What goes back unaltered in the next request (RFC 2865, 5.24)."""
        return self.last.state if self.last is not None else None

    def take(self, reply: Reply) -> None:
        """Note a reply."""
        self.last = reply
        if reply.eap is not None:
            self.signed = self.signed is not False and reply.message_authenticator
        self.signed_first = self.signed_first is not False and reply.message_authenticator_first

    def seen(
        self,
        sent: tuple[tuple[str, Value], ...] | None,
        transmissions: int,
        largest: int | None,
    ) -> RadiusSeen:
        """Return with which attributes it was asked, and what came. `largest` is in octets.

        None: nothing was sent, or nothing came.
        """
        last = self.last
        return RadiusSeen(
            reply=last.kind if last else None,
            message_authenticator=self.signed,
            attributes=last.attributes if last else (),
            sent=() if sent is None else sent_as(sent),
            transmissions=transmissions,
            authenticator_first=self.signed_first,
            largest_reply=largest,
        )
