"""Independent servers, run as fixtures: nginx (HTTPS), and what all of them share.

Those of RADIUS and EAP are in `hostapd.py` and `freeradius.py`, those of names in `nameservers.py`.

They come from the distribution (`fetch.sh` unpacks them) and share no line of code with this
project: what they serve is what they were configured with, so they can tell whether `probe` sees
what is there. Each is a context manager: started in the foreground in a folder of its own on a
free port of the loopback, probed until it answers, and stopped by its own process id.
"""

import os
import shutil
import socket
import subprocess
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from pathlib import Path

UNPACKED = Path(__file__).parents[2] / ".work" / "peers"
PROGRAMS = (
    *("freeradius", "hostapd", "nginx", "nsd", "radsecproxy", "unbound"),
    *("dig", "ldns-keygen", "tmux"),
)

READY_WITHIN = 10.0
"""Seconds; each is up within 50 ms on an idle machine."""
POLL_EVERY = 0.005
STOP_WITHIN = 5.0
PORT_TRIES = 5
"""A port that was free may be taken before the server binds it; then another is tried."""

LOOPBACK = "127.0.0.1"
SECRET = "a-lantern-by-the-quay"  # noqa: S105  # made up, and good on loopback only


class PeerFailed(Exception):
    """A server did not come up, or fell over; the text is its log."""


def program(name: str) -> Path | None:
    """Return where a program is, the unpacked one preferred; None: nowhere."""
    for folder in ("sbin", "bin"):
        unpacked = UNPACKED / "usr" / folder / name
        if unpacked.exists():
            return unpacked
    found = shutil.which(name, path=f"{os.environ.get('PATH', os.defpath)}:/usr/sbin:/sbin")
    return Path(found) if found else None


@cache
def library_path() -> str:
    """Return the folders of unpacked libraries: only there if this machine lacked them."""
    folders = {library.parent for library in UNPACKED.glob("**/lib/*/*.so*")}
    return ":".join(str(folder) for folder in sorted(folders))


def surroundings() -> dict[str, str]:
    """Return the environment in which an independent program runs."""
    return {"PATH": os.defpath, "LD_LIBRARY_PATH": library_path()}


@dataclass(frozen=True)
class Keys:
    """What a server is given: certificates in the order in which to serve them, and the key."""

    chain: tuple[str, ...]
    """PEM, in the order served."""
    key: str
    """PEM."""

    def write(self, directory: Path, stem: str) -> tuple[Path, Path]:
        """Write both and return their paths."""
        chain, key = directory / f"{stem}.pem", directory / f"{stem}.key"
        chain.write_text("".join(self.chain), "ascii")
        key.write_text(self.key, "ascii")
        return chain, key


@dataclass(frozen=True)
class Running:
    """A server that answers."""

    port: int
    log: Path
    pid: int

    def logged(self) -> str:
        """Return what it has logged so far."""
        return self.log.read_text("utf-8", errors="replace")


def free_port(*kinds: socket.SocketKind) -> int:
    """Return a port that is free for every one of these kinds on all loopback addresses."""
    while True:
        with socket.socket(socket.AF_INET, kinds[0]) as first:
            first.bind(("", 0))
            port: int = first.getsockname()[1]
            try:
                for kind in kinds[1:]:
                    with socket.socket(socket.AF_INET, kind) as other:
                        other.bind(("", port))
            except OSError:
                continue
            return port


@contextmanager
def running(
    arguments: Callable[[int], Sequence[str | Path]],
    directory: Path,
    kinds: tuple[socket.SocketKind, ...],
    ready: Callable[[Running], bool],
    enter: Sequence[str] = (),
    at: int | None = None,
) -> Iterator[Running]:
    """Run a server whose arguments follow from its port, until the block ends. `enter` is the
    command that runs it elsewhere, in a network namespace of its own; `at` is the port, where it is
    not free to be chosen: that of a server which was restarted."""
    for _ in range(PORT_TRIES):
        port = at or free_port(*kinds)
        with (directory / "log").open("wb") as log:
            server = subprocess.Popen(  # no shell: the program and its arguments are ours
                [*enter, *(str(argument) for argument in arguments(port))],
                cwd=directory,
                env=surroundings(),
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=subprocess.STDOUT,
            )
        it = Running(port, directory / "log", server.pid)
        try:
            if wait_until_ready(server, it, ready):
                yield it
                if server.poll() is not None:
                    raise PeerFailed(f"it fell over while in use:\n{it.logged()}")
                return
        finally:
            server.terminate()
            try:
                server.wait(STOP_WITHIN)
            except subprocess.TimeoutExpired:
                server.kill()
                server.wait()
    raise PeerFailed(f"it did not come up:\n{it.logged()}")


def wait_until_ready(
    server: subprocess.Popen[bytes], it: Running, ready: Callable[[Running], bool]
) -> bool:
    """Ask until it is ready (True) or has ended (False). Raises PeerFailed after the deadline."""
    deadline = time.monotonic() + READY_WITHIN
    while not ready(it):
        if server.poll() is not None:
            return False
        if time.monotonic() > deadline:
            raise PeerFailed(f"it is not ready after {READY_WITHIN} s:\n{it.logged()}")
        time.sleep(POLL_EVERY)
    return True


# ---------------------------------------------------------------- nginx: HTTPS


@dataclass(frozen=True)
class Site:
    """A name that the web server knows, and the certificates it shows for it."""

    name: str
    keys: tuple[Keys, ...]
    """One, or one for each key family."""


@contextmanager
def nginx(
    directory: Path,
    sites: Sequence[Site],
    protocols: str = "TLSv1.2 TLSv1.3",
    *,
    settings: str = "access_log off;",
    at: int | None = None,
) -> Iterator[Running]:
    """Run nginx with TLS. The first site is what an unknown or absent server name gets. `settings`
    are further directives for all sites."""
    directory.mkdir()
    blocks = []
    for number, site in enumerate(sites):
        lines = [f"server_name {site.name};"]
        for family, keys in enumerate(site.keys):
            chain, key = keys.write(directory, f"site{number}-{family}")
            lines += [f"ssl_certificate {chain};", f"ssl_certificate_key {key};"]
        blocks.append("\n".join(lines))

    def arguments(port: int) -> Sequence[str | Path]:
        servers = "\n".join(
            f"server {{ listen {LOOPBACK}:{port} ssl; {block} return 204; }}" for block in blocks
        )
        temporary = "\n".join(
            f"{kind}_temp_path {directory / 'temporary'};"
            for kind in ("client_body", "proxy", "fastcgi", "uwsgi", "scgi")
        )
        # One process, in the foreground: so no second user is needed and the pid is the server's.
        (directory / "nginx.conf").write_text(
            f"daemon off; master_process off; pid {directory / 'pid'};\n"
            f"error_log stderr info;\nevents {{}}\n"
            f"http {{ ssl_protocols {protocols};\n{settings}\n{temporary}\n{servers} }}\n",
            "ascii",
        )
        return [
            *(needed("nginx"), "-e", "stderr"),
            *("-p", directory, "-c", directory / "nginx.conf"),
        ]

    with running(arguments, directory, (socket.SOCK_STREAM,), answers_tcp, at=at) as it:
        yield it


def answers_tcp(it: Running) -> bool:
    """Tell whether the port takes a connection."""
    try:
        socket.create_connection((LOOPBACK, it.port), timeout=READY_WITHIN).close()
    except ConnectionRefusedError:
        return False
    return True


def needed(name: str) -> Path:
    """Return a program. Raises PeerFailed if it is nowhere."""
    found = program(name)
    if found is None:
        raise PeerFailed(f"{name} is not here")
    return found
