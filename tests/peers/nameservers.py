"""Independent name servers: nsd (authoritative), unbound (a validating resolver), zones signed by
ldns, and dig, which asks them beside us.

What nsd and unbound answer is what a zone file says, and none of these shares code with `probe`.
"""

import re
import socket
import subprocess
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import dns.exception
import dns.message
import dns.query

from tests.peers.servers import LOOPBACK, Running, needed, running, surroundings

WITHIN = 20.0
"""Seconds for a program that ends by itself."""


@dataclass(frozen=True)
class Zone:
    """A zone, as a master file has it (RFC 1035, 5)."""

    name: str
    """Without the final dot."""
    text: str


def zone(name: str, records: str) -> Zone:
    """Return a zone with what each one needs; `records` are relative to its name."""
    return Zone(
        name,
        f"$ORIGIN {name}.\n$TTL 300\n@ SOA ns hostmaster 1 3600 600 86400 60\n@ NS ns\n"
        f"ns A {LOOPBACK}\n{records}\n",
    )


# ---------------------------------------------------------------- ldns: signed zones


class Signer:
    """The key of one zone. Signs with ECDSA P-256 and SHA-256, denial by NSEC."""

    def __init__(self, directory: Path, name: str) -> None:
        self._directory = directory
        directory.mkdir()
        self._name = name
        made = self._run(
            "ldns-keygen", "-k", "-a", "ECDSAP256SHA256", "-r", "/dev/urandom", f"{name}."
        )
        self._key = made.strip()

    @property
    def delegation(self) -> str:
        """The DS record for the parent zone, one line."""
        return (self._directory / f"{self._key}.ds").read_text("ascii").strip()

    def sign(self, unsigned: Zone, *, until: str = "20400101") -> Zone:
        """Return the signed zone; `until` is the day on which its signatures end, YYYYMMDD."""
        source, signed = self._directory / "zone", self._directory / "zone.signed"
        source.write_text(unsigned.text, "ascii")
        self._run(
            *("ldns-signzone", "-i", "20200101", "-e", until),
            *("-o", f"{self._name}.", "-f", signed, source, self._key),
        )
        return Zone(unsigned.name, signed.read_text("ascii"))

    def _run(self, name: str, *arguments: str | Path) -> str:
        return output(self._directory, name, *arguments)


def output(directory: Path, name: str, *arguments: str | Path) -> str:
    """Run a program that ends by itself, and return what it prints."""
    return subprocess.run(
        [needed(name), *arguments],
        cwd=directory,
        env=surroundings(),
        stdin=subprocess.DEVNULL,
        capture_output=True,
        check=True,
        encoding="ascii",
        timeout=WITHIN,
    ).stdout


# ---------------------------------------------------------------- nsd: authoritative


@contextmanager
def nsd(directory: Path, *zones: Zone, minimal: bool = False) -> Iterator[Running]:
    """Run nsd with these zones, by UDP and TCP. `minimal`: only what was asked for is in its
    answers, as resolvers have it, and not the zone's name servers too."""
    directory.mkdir()
    for number, one in enumerate(zones):
        (directory / f"zone{number}").write_text(one.text, "ascii")

    def arguments(port: int) -> Sequence[str | Path]:
        (directory / "nsd.conf").write_text(
            "server:\n"
            f"  ip-address: {LOOPBACK}@{port}\n"
            '  server-count: 1\n  username: ""\n  chroot: ""\n  database: ""\n'
            f'  pidfile: "{directory / "pid"}"\n'
            f'  zonelistfile: "{directory / "zone.list"}"\n'
            f'  xfrdfile: "{directory / "xfrd.state"}"\n'
            f'  xfrdir: "{directory}"\n  zonesdir: "{directory}"\n'
            # Response rate limiting would drop what the benchmark and many cases ask.
            "  rrl-ratelimit: 0\n"
            f"  minimal-responses: {'yes' if minimal else 'no'}\n"
            "remote-control:\n  control-enable: no\n"
            + "".join(
                f'zone:\n  name: "{one.name or "."}"\n  zonefile: zone{number}\n'
                for number, one in enumerate(zones)
            ),
            "ascii",
        )
        return [needed("nsd"), "-d", "-c", directory / "nsd.conf"]

    def ready(it: Running) -> bool:
        return all(_has_answered(LOOPBACK, it.port, one.name) for one in zones)

    with running(arguments, directory, (socket.SOCK_DGRAM, socket.SOCK_STREAM), ready) as it:
        yield it


# ---------------------------------------------------------------- unbound: a resolver


@contextmanager
def unbound(
    directory: Path,
    authority: Running,
    zones: Sequence[str],
    *,
    anchor: str | None = None,
    more: str = "",
) -> Iterator[Running]:
    """Run unbound, which asks `authority` for these zones and nobody else for anything.

    `anchor` is a DS record: what stands under it is validated, and nothing without one. `more` are
    further lines of its configuration.
    """
    directory.mkdir()
    stubs = "".join(
        f'stub-zone:\n  name: "{name}."\n  stub-addr: {LOOPBACK}@{authority.port}\n'
        for name in zones
    )

    def arguments(port: int) -> Sequence[str | Path]:
        (directory / "unbound.conf").write_text(
            "server:\n"
            f"  interface: {LOOPBACK}\n  interface: ::1\n  port: {port}\n"
            # Whatever it is asked, no packet leaves this machine.
            f"  outgoing-interface: {LOOPBACK}\n  do-not-query-localhost: no\n"
            "  access-control: 127.0.0.0/8 allow\n  access-control: ::1/128 allow\n"
            f'  directory: "{directory}"\n  chroot: ""\n  username: ""\n  pidfile: "pid"\n'
            "  use-syslog: no\n  do-daemonize: no\n  num-threads: 1\n"
            f'  module-config: "{"validator " if anchor else ""}iterator"\n'
            + (f'  trust-anchor: "{anchor}"\n' if anchor else "")
            + f"{more}\n{stubs}remote-control:\n  control-enable: no\n",
            "ascii",
        )
        return [needed("unbound"), "-d", "-c", directory / "unbound.conf"]

    def ready(it: Running) -> bool:
        return _has_answered(LOOPBACK, it.port, zones[-1])

    with running(arguments, directory, (socket.SOCK_DGRAM, socket.SOCK_STREAM), ready) as it:
        yield it


def _has_answered(address: str, port: int, name: str) -> bool:
    try:
        dns.query.udp(dns.message.make_query(f"{name}.", "SOA"), address, timeout=0.5, port=port)
    except (dns.exception.Timeout, ConnectionRefusedError):
        return False
    return True


# ---------------------------------------------------------------- dig: another that asks


@dataclass(frozen=True)
class Dug:
    """What dig printed of one answer."""

    status: str
    flags: frozenset[str]
    records: tuple[tuple[str, str, str], ...]
    """(owner, type, data) of the answer section, names without the final dot."""
    errors: tuple[int, ...]
    """Extended errors (RFC 8914), by their numbers."""

    def data(self, kind: str) -> list[str]:
        """Return the data of all records of one type, sorted."""
        return sorted(data for _, has, data in self.records if has == kind)

    @property
    def aliases(self) -> list[str]:
        """The targets of the aliases, in the order of the answer."""
        return [data for _, has, data in self.records if has == "CNAME"]


def dig(
    directory: Path, place: tuple[str, int], questions: Sequence[tuple[str, str]], *options: str
) -> list[Dug]:
    """Ask a server all these questions, (name, type), one after the other, in one process."""
    batch = directory / "questions"
    batch.write_text("".join(f"{name}. {kind}\n" for name, kind in questions), "ascii")
    address, port = place
    printed = output(
        directory,
        *("dig", f"@{address}", "-p", str(port), "-r", "+nocookie", "+noall", "+comments"),
        *("+answer", "+bufsize=1232", "+nosplit", "+tries=2", "+timeout=5", *options, "-f", batch),
    )
    parts = re.split(r"(?m)^(?=;; Got answer:)", printed)[1:]
    assert len(parts) == len(questions), printed
    return [_dug(part) for part in parts]


def _dug(printed: str) -> Dug:
    head = re.search(r"status: (\w+), id: \d+\n;; flags:([ a-z]*);", printed)
    assert head is not None, printed
    lines = [line.split(None, 4) for line in printed.splitlines() if line and line[0] != ";"]
    return Dug(
        head[1],
        frozenset(head[2].split()),
        tuple((owner.rstrip("."), kind, data.rstrip(".")) for owner, _, _, kind, data in lines),
        tuple(int(number) for number in re.findall(r"(?m)^; EDE: (\d+)", printed)),
    )
