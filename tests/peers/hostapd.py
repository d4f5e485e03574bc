"""hostapd's RADIUS and EAP server, and what its debug log says of each session."""

import re
import socket
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from tests.peers.servers import LOOPBACK, SECRET, Keys, Running, needed, running

OLD = ("TLSv1", "TLSv1.1")
CURRENT = ("TLSv1.2", "TLSv1.3")
EVERY_VERSION = (*OLD, *CURRENT)


_AS_A_FLAG = {"TLSv1": "TLSv1.0"}


@dataclass(frozen=True)
class Radius:
    """How the RADIUS and EAP server is set up."""

    keys: Keys
    second: Keys | None = None
    """A certificate of another key family."""
    secret: str = SECRET
    users: str = "* PEAP,TTLS,TLS"
    """Phase 1 of its user file: who may use which methods, preferred first."""
    fragment_size: int = 1400
    """Octets of TLS data in a fragment."""
    tls: tuple[str, ...] = ("TLSv1.2",)
    """Versions that it speaks; the old ones by weak ciphers too."""
    clients: str = f"{LOOPBACK}/8"
    """From where it takes requests."""
    authorities: Path | None = None
    """PEM of the CAs that it names when it asks for a client's certificate."""
    fast: bool = False
    """Whether it is set up for EAP-FAST."""
    inner: str = '"ferryman" MSCHAPV2,TTLS-MSCHAPV2 "not asked for" [2]'
    """Phase 2 of its user file: the accounts inside TLS."""
    more: tuple[str, ...] = ()
    """Further lines of its configuration."""
    files: tuple[tuple[str, str], ...] = ()
    """Further files beside it, by name."""
    shows_keys: bool = False
    """Whether its log holds keys."""


@contextmanager
def hostapd(
    directory: Path, setup: Radius, enter: Sequence[str] = (), at: int | None = None
) -> Iterator[Running]:
    """Run hostapd's RADIUS server, `at` a port if one is given. It binds every address, so only
    loopback may be a client, unless it is run in a network namespace of its own."""
    directory.mkdir()
    chain, key = setup.keys.write(directory, "server")
    (directory / "clients").write_text(f"{setup.clients} {setup.secret}\n", "ascii")
    (directory / "users").write_text(f"{setup.users}\n{setup.inner}\n", "utf-8")
    for name, content in setup.files:
        (directory / name).write_text(content, "ascii")
    flags = "".join(
        f"[{'EN' if version in setup.tls else 'DIS'}ABLE-{_AS_A_FLAG.get(version, version)}]"
        for version in EVERY_VERSION
    )
    lines = [
        "interface=lo",
        "driver=none",
        "radius_server_clients=clients",
        "eap_server=1",
        "eap_user_file=users",
        f"server_cert={chain}",
        f"private_key={key}",
        f"fragment_size={setup.fragment_size}",
        f"tls_flags={flags}",
    ]
    if set(OLD) & set(setup.tls):
        # OpenSSL 3 speaks the old versions at this level only.
        lines.append("openssl_ciphers=DEFAULT:@SECLEVEL=0")
    if setup.second:
        chain, key = setup.second.write(directory, "second")
        lines += [f"server_cert2={chain}", f"private_key2={key}"]
    if setup.authorities:
        lines.append(f"ca_cert={setup.authorities}")
    if setup.fast:
        lines += [
            f"pac_opaque_encr_key={bytes(range(16)).hex()}",
            f"eap_fast_a_id={bytes(range(16)).hex()}",
            "eap_fast_a_id_info=quay",
            "eap_fast_prov=3",
        ]
    lines += setup.more

    def arguments(port: int) -> Sequence[str | Path]:
        text = "\n".join([*lines, f"radius_server_auth_port={port}", ""])
        (directory / "hostapd.conf").write_text(text, "ascii")
        flags = "-ddK" if setup.shows_keys else "-d"
        return [needed("hostapd"), flags, directory / "hostapd.conf"]

    def ready(it: Running) -> bool:
        # Its server answers nothing but logins; the log line follows the binding of the port.
        return "AP-ENABLED" in it.logged()

    with running(arguments, directory, (socket.SOCK_DGRAM,), ready, enter, at) as it:
        yield it


# ---------------------------------------------------------------- what its log says


@dataclass
class Session:
    """One EAP conversation, as the server's debug log has it."""

    number: str
    requests: int = 1
    """Access-Requests that belong to it, the first one too."""
    proposed: tuple[int, ...] = ()
    """Methods that it proposed, in this order, as IANA numbers them."""
    flight: int | None = None
    """Octets of TLS in its answer to the ClientHello; None: it has sent no such answer."""
    agreed: str | None = None
    """The TLS version, once it was agreed on."""
    alerts: tuple[str, ...] = ()
    """TLS alerts that came from the other side."""
    completed: bool = False
    """Whether it has come to an end, so that the server is to remove it soon."""
    timed_out: bool = False


_LINES = (
    ("new", re.compile(r"RADIUS SRV: New session (0x[0-9a-f]+) initialized")),
    ("request", re.compile(r"RADIUS SRV: Request for session (0x[0-9a-f]+)")),
    ("completed", re.compile(r"RADIUS SRV: Removing completed session (0x[0-9a-f]+)")),
    ("timed out", re.compile(r"RADIUS SRV: Timing out authentication session (0x[0-9a-f]+)")),
    ("proposed", re.compile(r"EAP: Propose EAP method vendor=0 method=(\d+)")),
    ("flight", re.compile(r"SSL: (\d+) bytes pending from ssl_out")),
    ("agreed", re.compile(r"SSL: Using TLS version (\S+)")),
    ("alert", re.compile(r"remote TLS alert: (.+)")),
)


def sessions(log: str) -> tuple[Session, ...]:
    """Return the sessions that were opened, in this order.

    The server handles one packet after the other, so that what stands between two of them in its
    log belongs to the first.
    """
    found: dict[str, Session] = {}
    at = Session("none")
    for line in log.splitlines():
        for what, pattern in _LINES:
            seen = pattern.search(line)
            if seen is None:
                continue
            value = seen[1]
            match what:
                case "new":
                    at = found[value] = Session(value)
                case "request":
                    at = found[value]
                    at.requests += 1
                case "completed":
                    found[value].completed = True
                case "timed out":
                    found[value].timed_out = True
                case "proposed":
                    at.proposed = (*at.proposed, int(value))
                case "flight" if at.flight is None:
                    at.flight = int(value)
                case "agreed":
                    at.agreed = value
                case "alert":
                    at.alerts = (*at.alerts, value)
            break
    return tuple(found.values())


def left_behind(log: str) -> list[str]:
    """Return the sessions that have not come to an end; the server keeps them for a minute."""
    return [one.number for one in sessions(log) if not one.completed or one.timed_out]
