"""An EAP server in memory that goes on behind the handshake, as a script says."""

from collections.abc import Callable, Generator
from dataclasses import dataclass, field

from OpenSSL import SSL

from probe.limits import DEFAULT, Limits
from probe.observation.model import Method, TlsVersion
from probe.wire import eap, radius
from probe.wire.credential import Credential
from probe.wire.eap import EapPacket
from probe.wire.fragments import Fragment, Fragmenter
from probe.wire.hello import Hello
from probe.wire.login import Login
from tests.wire.eapserver import SECRET, Answer, EapServer
from tests.wire.test_conversation import NUMBERS

Script = Callable[[SSL.Connection], Generator[bytes | Answer | None, bytes, None]]
"""Started when TLS is established; yields what to say inside (None: nothing, but hear), or how it
ends; is sent what the peer says inside, b"" for an empty packet."""


def accept() -> Answer:
    return radius.Code.ACCESS_ACCEPT, EapPacket(eap.Code.SUCCESS, 0)


def reject() -> Answer:
    return radius.Code.ACCESS_REJECT, EapPacket(eap.Code.FAILURE, 0)


class LoginServer(EapServer):
    """Does TLS with a client that finishes it, then what the script says."""

    def __init__(
        self,
        context: SSL.Context,
        method: Method,
        script: Script,
        *,
        version: int = 0,
        fragment_size: int = 1000,
    ) -> None:
        super().__init__(
            context, proposes=[NUMBERS[method]], version=version, fragment_size=fragment_size
        )
        self.inside_heard: list[bytes] = []
        self.acknowledged_alert = False
        self._script = script
        self._play: Generator[bytes | Answer | None, bytes, None] | None = None

    def inside(self, fragment: Fragment) -> Answer:
        if self._ours.pending:
            return self.say() if fragment.acknowledges else self.failure()
        whole: bytes | None = b""
        if not fragment.acknowledges:
            whole = self._theirs.add(fragment)
            if whole is None:
                return self.request(self._method, Fragment(version=self.version).octets)
        return self._next(whole or b"")

    def _next(self, whole: bytes) -> Answer:
        assert self.tls is not None
        if self.tls.error is not None:
            self.acknowledged_alert = not whole
            return self.failure()
        connection = self.tls.connection
        said: bytes | Answer | None = None
        if self._play is None:
            flight = self.tls.receive(whole)
            if self.tls.error is not None or not established(connection):
                return self._send(flight)
            self._play = self._script(connection)
            said = next(self._play)
            heard = self._hear()
            if heard:
                said = self._play.send(heard)
        else:
            flight = b""
            if whole:
                connection.bio_write(whole)
            heard = self._hear()
            if connection.get_shutdown() & SSL.RECEIVED_SHUTDOWN:
                return self.failure()
            said = self._play.send(heard)
        if isinstance(said, tuple):
            return said
        if said:
            connection.sendall(said)
            flight += connection.bio_read(1 << 20)
        return self._send(flight)

    def _hear(self) -> bytes:
        assert self.tls is not None
        heard = bytearray()
        try:
            while True:
                heard += self.tls.connection.recv(20_000)
        except (SSL.WantReadError, SSL.ZeroReturnError):
            pass
        if heard:
            self.inside_heard.append(bytes(heard))
        return bytes(heard)

    def _send(self, flight: bytes) -> Answer:
        if not flight:
            return self.request(self._method, Fragment(version=self.version).octets)
        self._ours = Fragmenter(flight, self.fragment_size, version=self.version)
        return self.say(len(flight))


def established(connection: SSL.Connection) -> bool:
    return connection.get_state_string() in (b"SSL negotiation finished successfully",)


@dataclass
class Held:
    login: Login
    sent: list[bytes] = field(default_factory=list)
    """EAP packets of the login's, the farewell last."""
    before_approval: int | None = None
    """How many of them went out before approval was asked for."""


def hold(
    server: EapServer,
    method: Method,
    credential: Credential | None,
    *,
    version: TlsVersion = TlsVersion.TLS1_3,
    peap_version: int = 0,
    fragment_size: int = 1400,
    limits: Limits = DEFAULT,
) -> Held:
    """Let a login meet this server; with None it is declined."""
    login = Login(
        identity="anonymous@northpier.example",
        method=method,
        hello=Hello(versions=(version,), careful=True),
        fragment_size=fragment_size,
        limits=limits,
        peap_version=peap_version,
    )
    held = Held(login)
    attributes = radius.request_attributes(user_name="anonymous", nas_identifier="cert-probe")

    def exchange(octets: bytes) -> radius.Reply:
        held.sent.append(octets)
        request = radius.build_request(SECRET, len(held.sent) % 256, attributes, eap=octets)
        code, packet = server.answer(octets)
        received = radius.read_request(request.octets, SECRET)
        reply = radius.build_reply(received, SECRET, code, eap=packet.octets)
        return radius.read_reply(reply, request, SECRET)

    outgoing: bytes | None = login.start()
    while outgoing is not None:
        outgoing = login.receive(exchange(outgoing))
        if outgoing is None and login.awaiting_approval:
            held.before_approval = len(held.sent)
            if credential is None:
                login.decline("declined by the test")
            else:
                outgoing = login.approve(credential)
    farewell = login.farewell()
    if farewell is not None:
        exchange(farewell)
    return held
