"""A place that must hear nothing, a plan that points to it, and how the command ended."""

import socket
from collections.abc import Callable
from dataclasses import dataclass

PLAN = """
name = "Northpier"
[trust]
eap = ["public"]
[dns]
resolvers = ["127.0.0.1:{datagrams}"]
[web]
port = {stream}
[eap]
port = {datagrams}
secret = {{ environment = "NORTHPIER_RADIUS" }}
[limits]
dns_wait = 0.2
radius_first_wait = 0.1
radius_silence = 0.3
[[node]]
name = "quay1"
host = "quay1.northpier.example"
addresses = ["127.0.0.1"]
"""

SECRET = "berth-7-lantern"  # noqa: S105  # made up: looked for in every output
WITH_SECRET = {"NORTHPIER_RADIUS": SECRET}


@dataclass(frozen=True)
class Listener:
    """Sockets that every question of the plan would reach."""

    datagrams: socket.socket
    stream: socket.socket

    def heard(self) -> bool:
        """Whether anything has arrived."""
        for read in (lambda: self.datagrams.recv(65_535), self.stream.accept):
            try:
                read()
            except BlockingIOError:
                continue
            return True
        return False

    @property
    def plan(self) -> str:
        return PLAN.format(
            datagrams=self.datagrams.getsockname()[1], stream=self.stream.getsockname()[1]
        )


@dataclass(frozen=True)
class Ended:
    """How a command ended."""

    status: int
    stdout: str
    stderr: str


Probe = Callable[..., Ended]
"""Runs the command with arguments; `environment` is added to what there is."""
