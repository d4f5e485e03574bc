"""One EAP conversation from the peer's side, up to the served chain. No socket, no clock.

    IDENTITY --(Nak sent)--> NEGOTIATING --.
        '-------(Start of a method)--------+--> METHOD --> FINISHED

The first Access-Request carries our Response/Identity, so every reply counts one round trip, and
every response but the polite end asks for one more. Server fragments go to the TLS client as they
come, so a conversation ends in mid-flight if the chain is in hand there, or reads on for what
EAP-TLS asks of clients: then the chain stays served whatever comes. What breaks EAP, the
framing or TLS is told as malformed; nothing here waits, retries or forgives.
"""

from enum import Enum, auto

from probe.certificate.naming import name_text
from probe.limits import Limits
from probe.observation.model import EapSeen, Method, Outcome, Phase, Served
from probe.wire import eap, radius
from probe.wire.eap import EapError, EapPacket, method_name, method_number
from probe.wire.fragments import Fragment, FragmentError
from probe.wire.hello import Hello
from probe.wire.radius import Reply
from probe.wire.tls import TlsClient
from probe.wire.tunnel import METHODS, Tunnel, read_fragment


class _State(Enum):
    IDENTITY = auto()
    NEGOTIATING = auto()
    METHOD = auto()
    FINISHED = auto()


class Conversation:
    """Asks one server, by one of several acceptable methods, for its chain."""

    def __init__(
        self,
        *,
        identity: str,
        methods: tuple[Method, ...],
        hello: Hello,
        fragment_size: int,
        limits: Limits,
        until_request: bool = False,
        peap_version: int = 1,
    ) -> None:
        """Prepare one conversation.

        `methods` are those that will be agreed to, preferred first. `fragment_size`: the most
        octets of TLS data in one of our own fragments. `until_request`: EAP-TLS is read on behind
        the chain until the server's CertificateRequest was seen. `peap_version`: the highest of
        PEAP that is agreed to. Raises ValueError without a method, or with one or a version that
        this peer does not speak.
        """
        strange = [method for method in methods if method not in METHODS]
        if strange or not methods:
            raise ValueError(f"EAP methods: {', '.join(strange) or 'none'}")
        if peap_version not in METHODS[Method.PEAP]:
            raise ValueError(f"PEAP version {peap_version}")
        self.outcome = Outcome.SILENT
        """How it ended, once `finished`."""
        self.phase = Phase.IDENTITY
        self.detail: str | None = None
        self.alert: str | None = None
        """IANA description of the fatal TLS alert that came."""
        self.round_trips = 0
        """Access-Requests answered until the chain was in hand or the visit ended."""
        self.served: Served | None = None
        self.certificates: tuple[bytes, ...] = ()
        """DER, in the order served."""
        self._identity = identity
        self._methods = methods
        self._hello = hello
        self._fragment_size = fragment_size
        self._limits = limits
        self._until_request = until_request
        self._peap_version = peap_version
        self._rounds = 0
        self._state = _State.IDENTITY
        self._proposed: list[str] = []
        self._tunnel: Tunnel | None = None
        self._at_start = False
        """Whether the last request was the Start of the method."""
        self._unanswered: int | None = None
        self._last_identifier: int | None = None

    @property
    def finished(self) -> bool:
        """Whether it is over: nothing more is to be sent but the farewell."""
        return self._state is _State.FINISHED

    @property
    def seen(self) -> EapSeen:
        """What the server showed of EAP so far."""
        proposed = tuple(self._proposed)
        if self._tunnel is None:
            return EapSeen(proposed=proposed)
        peap = self._tunnel.method is Method.PEAP
        authorities = self._tunnel.tls.client_authorities
        return EapSeen(
            method=self._tunnel.method,
            proposed=proposed,
            peap_version=self._tunnel.version if peap else None,
            fragments=tuple(self._tunnel.received),
            client_authorities=None if authorities is None else tuple(map(name_text, authorities)),
            resumption=self._tunnel.tls.resumption,
        )

    def start(self) -> bytes:
        """Return the Response/Identity for the first Access-Request.

        It answers a Request/Identity that no server sent: the authenticator asks that by itself
        (RFC 3579, 2.1). Its Identifier is therefore free.
        """
        return eap.identity(0, self._identity).octets

    def receive(self, reply: Reply) -> bytes | None:
        """Take a reply; return the next EAP response, or None: `finished`."""
        if self.finished:
            return None
        self._rounds += 1
        if self._tunnel is None or self._tunnel.tls.served is None:
            self.round_trips = self._rounds
        self._unanswered = None
        try:
            return self._receive(reply)
        except (EapError, FragmentError) as error:
            self._broken(str(error))
        return None

    def silence(self) -> None:
        """Note that the transport gave up waiting: silent (first round) or cut-off (later)."""
        self.break_off("no further reply" if self._rounds else "no reply to the EAP identity")

    def break_off(self, detail: str) -> None:
        """Leave before it is over, for a caller's reason: with the chain if it is in hand, else
        silent (nothing has come yet) or cut-off. Does nothing once `finished`."""
        if self.finished:
            return
        self._unanswered = self._last_identifier
        self._left(Outcome.CUT_OFF if self._rounds else Outcome.SILENT, detail)

    def farewell(self) -> bytes | None:
        """Return the EAP response with the polite end, or None if the server waits for nothing.

        After a silence in a later round it answers the last request once more: if it was our own
        packet that got lost, the server waits for that still.

        It is to be sent once after `finished`, with the State of the last reply: TLS alerts in one
        fragment where TLS has begun, an empty response to the server's own alert (RFC 9190, 2.1.4),
        a Nak without an alternative before TLS. A method's Start is still answered by that (RFC
        3748, 5.3.1): alerts in place of a ClientHello would have to be refused by an alert first.
        """
        identifier, self._unanswered = self._unanswered, None
        if not self.finished or identifier is None:
            return None
        if self._tunnel is None or self._at_start:
            return eap.nak(identifier, ()).octets
        return self._tunnel.packet(identifier, self._tunnel.farewell())

    def farewell_ahead(self) -> bytes | None:
        """Return the polite end for a request that was lost on its way to us; None: there is none.

        To be sent where silence ended a method, and the farewell has met silence as well: what the
        server waits for is then an answer to its next request, whose Identifier is one more (RFC
        5216, 2.1.5). By what it has sent, TLS has begun.
        """
        if self._tunnel is None or self._last_identifier is None:
            return None
        fragment = self._tunnel.farewell()
        return self._tunnel.packet((self._last_identifier + 1) % 256, fragment)

    def last_word(self, reply: Reply) -> bytes | None:
        """Return what to answer where the server goes on after our farewell; None: it has ended.

        In the midst of its flight one server reads the alerts and sends its next fragment all the
        same. It gives up at the acknowledgement of that (measured). To be sent once.
        """
        if reply.code != radius.Code.ACCESS_CHALLENGE or reply.eap is None or self._tunnel is None:
            return None
        try:
            packet = EapPacket.parse(reply.eap)
        except EapError:
            return None
        if packet.code is not eap.Code.REQUEST or packet.type != self._tunnel.number:
            return None
        return self._tunnel.packet(packet.identifier, Fragment(version=self._tunnel.version))

    # ------------------------------------------------------------ what came

    def _receive(self, reply: Reply) -> bytes | None:
        if reply.code != radius.Code.ACCESS_CHALLENGE:
            self._end(reply)
            return None
        if reply.eap is None:
            raise EapError("an Access-Challenge without EAP")
        packet = EapPacket.parse(reply.eap)
        if packet.code is eap.Code.REQUEST and packet.type is not None:
            return self._answer(packet.identifier, packet.type, packet.data)
        if packet.code is not eap.Code.FAILURE:
            raise EapError(f"EAP {packet.code.name.title()} where a Request is due")
        self._refused("EAP-Failure")
        return None

    def _end(self, reply: Reply) -> None:
        """Take a reply that is no challenge. Raises EapError where it is not due."""
        if reply.code == radius.Code.ACCESS_REJECT:
            self._refused("Access-Reject")
        elif reply.code == radius.Code.ACCESS_ACCEPT:
            self._accepted()
        else:
            raise EapError(f"{reply.kind} in answer to an Access-Request")

    def _answer(self, identifier: int, kind: int, data: bytes) -> bytes | None:
        if identifier == self._last_identifier:
            # RFC 3748, 4.1: a new Request has a new Identifier. No reply comes twice through the
            # transport, which tells repeated datagrams by RADIUS's own identifier.
            raise EapError(f"EAP Identifier {identifier} twice")
        self._last_identifier = self._unanswered = identifier
        self._at_start = False
        if kind == eap.Type.NAK:
            raise EapError("a Request of type Nak")
        if self._tunnel is not None and kind == self._tunnel.number:
            fragment = read_fragment(self._tunnel.method, data)
            return self._continue(self._tunnel, identifier, fragment)
        if self._last_round():
            return None
        if kind == eap.Type.NOTIFICATION:
            # RFC 3748, 5.2: it MUST be answered, by an empty Notification, at any time.
            return EapPacket(eap.Code.RESPONSE, identifier, kind).octets
        if self._tunnel is not None:
            raise EapError(f"{method_name(kind)} within {self._tunnel.method}")
        if kind == eap.Type.IDENTITY:
            # RFC 3748, 5.1: an authenticator may ask again.
            return eap.identity(identifier, self._identity).octets
        return self._negotiate(identifier, kind, data)

    def _negotiate(self, identifier: int, kind: int, data: bytes) -> bytes | None:
        self._proposed.append(method_name(kind))
        proposed = self._proposed[-1]
        for method in self._methods:
            if method_number(method) == kind:
                first = read_fragment(method, data)
                if first.version >= METHODS[method][0]:
                    return self._begin(identifier, method, first)
                # RFC 9930, 3.1: a peer that speaks higher versions only asks for another method.
                proposed = f"{method} version {first.version}"
                self._methods = tuple(each for each in self._methods if each is not method)
        self.phase = Phase.METHOD
        wanted = ", ".join(self._methods)
        if self._state is _State.NEGOTIATING or not wanted:
            asked = f"asked for {wanted}; " if wanted else ""
            self._finish(Outcome.METHOD_REFUSED, f"{asked}it proposes {proposed}")
            return None
        self._state = _State.NEGOTIATING
        # The legacy Nak answers an Expanded type too: this peer has none (RFC 3748, 5.3.1).
        return eap.nak(identifier, [method_number(method) for method in self._methods]).octets

    def _begin(self, identifier: int, method: Method, first: Fragment) -> bytes | None:
        """Answer the Start of a method with the ClientHello."""
        if not first.start:
            raise EapError(f"the first {method} request is no Start")
        self._state = _State.METHOD
        self._at_start = True
        self.phase = Phase.HELLO
        highest = self._peap_version if method is Method.PEAP else METHODS[method][-1]
        self._tunnel = self._new_tunnel(method, min(first.version, highest))
        return self._tunnel.packet(identifier, self._tunnel.start())

    def _new_tunnel(self, method: Method, version: int) -> Tunnel:
        until_request = self._until_request and method is Method.EAP_TLS
        tls = TlsClient(self._hello, self._limits, until_request=until_request)
        return Tunnel(method, version, tls, self._fragment_size, self._limits)

    def _accepted(self) -> None:
        """Take an Access-Accept. Raises EapError where none is due."""
        raise EapError("Access-Accept before anything was proven")

    def _continue(self, tunnel: Tunnel, identifier: int, fragment: Fragment) -> bytes | None:
        answer = tunnel.receive(fragment)
        if answer is None:
            self._conclude(tunnel)
            return None
        self.phase = tunnel.tls.phase
        return None if self._last_round() else tunnel.packet(identifier, answer)

    def _last_round(self) -> bool:
        """Finish if one more round trip would be one too many."""
        if self._rounds < self._limits.eap_rounds:
            return False
        self._left(Outcome.CUT_OFF, f"given up after {self._rounds} round trips")
        return True

    # ------------------------------------------------------------ the end

    def _conclude(self, tunnel: Tunnel) -> None:
        """Finish as the TLS client did. Data that are not TLS break the method."""
        failure = tunnel.tls.failure
        if failure is None:
            served = tunnel.tls.served
            self._finish(Outcome.SERVED, served.key_detail if served is not None else None)
            return
        self.alert = failure.alert
        malformed = failure.outcome is Outcome.NOT_TLS
        self._finish(Outcome.MALFORMED if malformed else failure.outcome, failure.detail)

    def _refused(self, word: str) -> None:
        """Finish at a reject: what it means depends on how far we are."""
        if self._tunnel is not None:
            self._left(Outcome.REFUSED, f"{word} after the ClientHello")
        elif self._state is _State.NEGOTIATING:
            wanted = ", ".join(self._methods)
            self._finish(Outcome.METHOD_REFUSED, f"{word} after we asked for {wanted}")
        else:
            self._finish(Outcome.REJECTED, f"{word} before TLS began")

    def _left(self, outcome: Outcome, detail: str) -> None:
        """Finish early: with the chain if it is in hand, else with `outcome`."""
        if self._tunnel is None:
            self._finish(outcome, detail)
        else:
            self._tunnel.tls.give_up(outcome, detail)
            self._conclude(self._tunnel)

    def _broken(self, detail: str) -> None:
        """Finish because what came breaks the protocol; what has been proven before stays so."""
        tunnel = self._tunnel
        proven = tunnel is not None and tunnel.tls.served is not None
        if tunnel is not None:
            tunnel.tls.give_up(Outcome.MALFORMED, detail)
        if tunnel is not None and proven:
            self._conclude(tunnel)
        else:
            self._finish(Outcome.MALFORMED, detail)

    def _finish(self, outcome: Outcome, detail: str | None) -> None:
        self._state = _State.FINISHED
        self.outcome = outcome
        self.detail = detail
        if self._tunnel is not None:
            self.phase = self._tunnel.tls.phase
            self.served = self._tunnel.tls.served
            self.certificates = self._tunnel.tls.certificates
