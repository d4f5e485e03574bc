"""A relay for datagrams between clients and servers: the path, with what can be wrong with it.

What is lost, comes from elsewhere or is spread over several servers is so because of what lies
between, so it is made here and not in a server. Any server may stand behind it.
"""

import asyncio
import socket
from collections.abc import Sequence
from enum import StrEnum
from typing import Annotated

import msgspec

_LARGEST = 65_536
_MOST_LINKS = 512

Place = tuple[str, int]
"""Address and port."""


class Path(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """What happens to datagrams on their way, as a scenario file says it too."""

    lose_requests_over: Annotated[int, msgspec.Meta(ge=0)] | None = None
    """Octets above which a request is lost: as where fragments of large packets are dropped."""
    lose_replies_over: Annotated[int, msgspec.Meta(ge=0)] | None = None
    """The same for replies."""
    replies_from_elsewhere: bool = False
    """Whether replies leave from another address than the one that was asked."""


class Balancing(StrEnum):
    """How a relay in front of several servers spreads what comes."""

    BY_CLIENT = "by-client"
    """All packets of one address and port go to the same server."""
    BY_PACKET = "by-packet"
    """Each packet goes to the next server, whoever has the conversation."""


class Relay:
    """Passes datagrams on between a socket that the caller has bound and the servers behind.

    Each server sees another port for each client and port, so that answers find their way.
    """

    def __init__(
        self,
        bound: socket.socket,
        servers: Sequence[Place],
        path: Path = Path(),  # noqa: B008  # frozen
        *,
        balancing: Balancing = Balancing.BY_CLIENT,
        elsewhere: socket.socket | None = None,
    ) -> None:
        """`elsewhere` is bound to the address that replies leave from, where that is another."""
        self._bound = bound
        self._servers = tuple(servers)
        self._path = path
        self._balancing = balancing
        self._replying = elsewhere or bound
        self._links: dict[tuple[Place, Place], socket.socket] = {}
        self._turn = 0
        self._chosen: dict[Place, Place] = {}

    async def start(self) -> None:
        """Begin to pass on."""
        self._bound.setblocking(False)
        asyncio.get_running_loop().add_reader(self._bound, self._from_client)

    async def stop(self) -> None:
        """Close all sockets."""
        loop = asyncio.get_running_loop()
        loop.remove_reader(self._bound)
        for link in self._links.values():
            loop.remove_reader(link)
            link.close()
        self._bound.close()
        self._replying.close()

    def _from_client(self) -> None:
        try:
            octets, client = self._bound.recvfrom(_LARGEST)
        except OSError:
            return  # an ICMP error for what was sent before: the client has gone
        if not _lost(octets, self._path.lose_requests_over):
            _send(self._link(client, self._server_for(client)), octets)

    def _from_server(self, link: socket.socket, client: Place) -> None:
        try:
            octets = link.recv(_LARGEST)
        except OSError:
            return  # nobody listens behind
        if not _lost(octets, self._path.lose_replies_over):
            try:
                self._replying.sendto(octets, client)
            except OSError:
                return  # the client has gone

    def _server_for(self, client: Place) -> Place:
        if self._balancing is Balancing.BY_CLIENT and client in self._chosen:
            return self._chosen[client]
        server = self._servers[self._turn % len(self._servers)]
        self._turn += 1
        self._chosen[client] = server
        return server

    def _link(self, client: Place, server: Place) -> socket.socket:
        link = self._links.get((client, server))
        if link is None:
            if len(self._links) == _MOST_LINKS:
                self._forget_oldest()
            link = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
            link.setblocking(False)
            link.connect(server)
            self._links[client, server] = link
            asyncio.get_running_loop().add_reader(link, self._from_server, link, client)
        return link

    def _forget_oldest(self) -> None:
        oldest = next(iter(self._links))
        link = self._links.pop(oldest)
        self._chosen.pop(oldest[0], None)
        asyncio.get_running_loop().remove_reader(link)
        link.close()


def _lost(octets: bytes, most: int | None) -> bool:
    return most is not None and len(octets) > most


def _send(link: socket.socket, octets: bytes) -> None:
    try:
        link.send(octets)
    except OSError:
        return  # nobody listens behind, or the system's buffer is full: a datagram is lost
