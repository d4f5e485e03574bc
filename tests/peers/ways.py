"""What lies between the command and an independent server: replies from elsewhere, lost packets.

Where the machine allows it, both stand in network namespaces of their own, joined by a cable whose
MTU is that of a tunnel: then the system's own networking makes what is to be met. Where it does
not, or where the system can't, a relay does. Every test runs through a relay or on plain loopback
in any case, and in namespaces on top.
"""

import asyncio
import functools
import os
import selectors
import socket
import subprocess
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from typing import Self

from lab.relay import Balancing, Relay
from lab.relay import Path as Lossy
from tests.peers.servers import LOOPBACK

CABLE_MTU = 1280
"""RFC 8200, 5: what every path carries; tunnels carry little more."""
LARGEST_WHOLE = CABLE_MTU - 20 - 8
"""Octets of a datagram that is not cut into IP fragments on the cable."""

PROBE, SERVER, SECOND = "192.0.2.1", "192.0.2.11", "192.0.2.12"
"""Addresses in the namespaces (RFC 5737): of the command, and two of the server."""
OTHER = "127.0.0.2"
"""An address of loopback that a server which binds every address does not answer from."""


@dataclass(frozen=True)
class Namespaces:
    """Two hosts: each is a command that runs another one there."""

    server: tuple[str, ...]
    probe: tuple[str, ...]


@contextmanager
def namespaces(*, lost: frozenset[str] = frozenset()) -> Iterator[Namespaces]:
    """Make two hosts. Of `lost`, "requests" and "replies", IP fragments never become whole."""
    with ExitStack() as stack:
        server = _holder(stack, ["unshare", "--user", "--map-root-user", "--net"])
        same_user = ["nsenter", "--user", "--preserve-credentials", f"--target={server}"]
        probe = _holder(stack, [*same_user, "unshare", "--net"])
        enter_server, enter_probe = _enter(server), _enter(probe)
        made = f"ip link add name cable type veth peer name cable netns {probe}"
        _run(enter_server, *made.split())
        for enter, addresses in ((enter_server, (SERVER, SECOND)), (enter_probe, (PROBE,))):
            for address in addresses:
                _run(enter, "ip", "address", "add", f"{address}/24", "dev", "cable")
            _run(enter, "ip", "link", "set", "lo", "up")
            _run(enter, "ip", "link", "set", "cable", "up", "mtu", str(CABLE_MTU))
        for way, enter in (("requests", enter_server), ("replies", enter_probe)):
            if way in lost:
                # No memory to put fragments together in: as where a firewall drops them.
                for end in ("low", "high"):
                    setting = f"/proc/sys/net/ipv4/ipfrag_{end}_thresh"
                    _run(enter, "sh", "-c", f"echo 0 >{setting}")
        yield Namespaces(enter_server, enter_probe)


def _holder(stack: ExitStack, command: Sequence[str]) -> int:
    """Run a process that keeps a namespace for as long as its standard input is open."""
    held = subprocess.Popen(
        [*command, "sh", "-c", "echo here; exec cat"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        env={"PATH": _PATH},
    )
    stack.callback(held.__exit__, None, None, None)  # closes the pipes, and waits
    assert held.stdout is not None
    if held.stdout.readline() != b"here\n":
        raise OSError("no namespace is to be had")
    return held.pid


_PATH = f"{os.environ.get('PATH', os.defpath)}:/usr/sbin:/sbin"


def _enter(pid: int) -> tuple[str, ...]:
    return ("nsenter", "--user", "--preserve-credentials", "--net", f"--target={pid}", "--")


def _run(enter: Sequence[str], *command: str) -> None:
    subprocess.run([*enter, *command], check=True, capture_output=True, env={"PATH": _PATH})


@functools.cache
def namespaces_are_to_be_had() -> bool:
    """Tell whether this machine lets us make them."""
    try:
        with namespaces(lost=frozenset({"requests", "replies"})):
            return True
    except (OSError, subprocess.CalledProcessError):
        return False


# ---------------------------------------------------------------- relays


@contextmanager
def relayed(
    *ports: int,
    lossy: Lossy = Lossy(),  # noqa: B008  # frozen
    balancing: Balancing = Balancing.BY_CLIENT,
    address: str = LOOPBACK,
) -> Iterator[int]:
    """Put the lab's relay before servers on loopback; yield the port that it is at."""
    bound = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    bound.bind((address, 0))
    at: int = bound.getsockname()[1]
    loop = asyncio.new_event_loop()
    thread = threading.Thread(target=loop.run_forever)
    thread.start()
    relay = Relay(bound, [(LOOPBACK, port) for port in ports], lossy, balancing=balancing)
    try:
        asyncio.run_coroutine_threadsafe(relay.start(), loop).result()
        yield at
    finally:
        asyncio.run_coroutine_threadsafe(relay.stop(), loop).result()
        loop.call_soon_threadsafe(loop.stop)
        thread.join()
        loop.close()


Passes = Callable[[str, int], bool]
"""Given the way, "request" or "reply", and the number of the datagram on it, counted from one for
each client: whether it gets through."""


class Tap:
    """A relay that asks about every datagram. Use it as a context manager; it is at `port`."""

    def __init__(self, server: int, passes: Passes) -> None:
        self._server = (LOOPBACK, server)
        self._passes = passes
        self._front = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._front.bind((LOOPBACK, 0))
        self.port: int = self._front.getsockname()[1]
        self._links: dict[tuple[str, int], socket.socket] = {}
        self._counts: dict[tuple[str, tuple[str, int]], int] = {}
        self._stop, self._stopping = socket.socketpair()
        self._thread = threading.Thread(target=self._work)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.close()
        self._thread.join()
        for each in (self._front, self._stopping, *self._links.values()):
            each.close()

    def _work(self) -> None:
        with selectors.DefaultSelector() as waiting:
            waiting.register(self._front, selectors.EVENT_READ)
            waiting.register(self._stopping, selectors.EVENT_READ)
            while True:
                for key, _ in waiting.select():
                    if key.fileobj is self._stopping:
                        return
                    if key.fileobj is self._front:
                        self._pass_on(waiting)
                    else:
                        self._pass_back(key.data)

    def _pass_on(self, waiting: selectors.BaseSelector) -> None:
        octets, client = self._front.recvfrom(65_536)
        if client not in self._links:
            link = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
            link.connect(self._server)
            self._links[client] = link
            waiting.register(link, selectors.EVENT_READ, client)
        if self._through("request", client):
            self._links[client].send(octets)

    def _pass_back(self, client: tuple[str, int]) -> None:
        octets = self._links[client].recv(65_536)
        if self._through("reply", client):
            self._front.sendto(octets, client)

    def _through(self, way: str, client: tuple[str, int]) -> bool:
        number = self._counts.get((way, client), 0) + 1
        self._counts[way, client] = number
        return self._passes(way, number)
