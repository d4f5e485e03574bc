"""A login on the wire layer, over one UDP socket: what the tests of complete logins drive."""

import asyncio
import random
import socket
from collections.abc import Callable
from dataclasses import dataclass

from probe.limits import DEFAULT
from probe.observation.model import Method, TlsVersion
from probe.wire import radius
from probe.wire.credential import Credential
from probe.wire.hello import Hello
from probe.wire.login import Login
from tests.peers.servers import LOOPBACK, SECRET

OUTER = "anonymous@northpier.example"
_ATTRIBUTES = radius.request_attributes(user_name=OUTER, nas_identifier="cert-probe")
_WAIT = 5.0
"""Seconds; hostapd delays a reject by none."""


@dataclass(frozen=True)
class Held:
    """What was held with the server."""

    login: Login
    sent: tuple[bytes, ...]
    """EAP packets, as they went out."""
    last: radius.Reply
    """The reply that ended it, that to the farewell included."""


def unchanged(reply: radius.Reply) -> radius.Reply:
    return reply


def log_in(
    port: int,
    method: Method,
    decide: Callable[[Login], Credential | None],
    *,
    tls: TlsVersion = TlsVersion.TLS1_2,
    peap_version: int = 0,
    fragment_size: int = 1000,
    on_the_way: Callable[[radius.Reply], radius.Reply] = unchanged,
) -> Held:
    """Log in; where approval is awaited, `decide` gives the credential, or None to decline.
    `on_the_way` may change a reply."""
    login = Login(
        identity=OUTER,
        method=method,
        hello=Hello(versions=(tls,)),
        fragment_size=fragment_size,
        limits=DEFAULT,
        peap_version=peap_version,
    )
    return asyncio.run(_drive(login, port, decide, on_the_way))


async def _drive(
    login: Login,
    port: int,
    decide: Callable[[Login], Credential | None],
    on_the_way: Callable[[radius.Reply], radius.Reply],
) -> Held:
    loop = asyncio.get_running_loop()
    sent: list[bytes] = []
    state: bytes | None = None
    number = random.randrange(256)  # noqa: S311  # an ordinal, not a secret
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as udp:
        udp.setblocking(False)
        udp.connect((LOOPBACK, port))

        async def exchange(eap: bytes) -> radius.Reply:
            sent.append(eap)
            request = radius.build_request(
                SECRET.encode(), (number + len(sent)) % 256, _ATTRIBUTES, eap=eap, state=state
            )
            await loop.sock_sendall(udp, request.octets)
            async with asyncio.timeout(_WAIT):
                octets = await loop.sock_recv(udp, 8192)
            return on_the_way(radius.read_reply(octets, request, SECRET.encode()))

        eap: bytes | None = login.start()
        while eap is not None:
            reply = await exchange(eap)
            state = reply.state
            eap = login.receive(reply)
            if eap is None and login.awaiting_approval:
                credential = decide(login)
                if credential is None:
                    login.decline("declined by the test")
                else:
                    eap = login.approve(credential)
        farewell = login.farewell()
        if farewell is not None:
            reply = await exchange(farewell)
    return Held(login, tuple(sent), reply)
