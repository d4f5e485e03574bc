"""FreeRADIUS, and what its debug log says of each EAP conversation.

It runs on a configuration of its own, a file in the test's folder; nothing of the distribution's
is read but its modules and its dictionary of attributes.
"""

import re
import socket
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from tests.peers.servers import LOOPBACK, SECRET, Keys, Running, needed, running

_CONFIGURATION = """
prefix = {directory}
logdir = {directory}
raddbdir = {directory}
run_dir = {directory}
max_requests = 4096
libdir = {libraries}
log {{
    destination = {into}
    file = {directory}/radius.log
    auth = yes
}}
security {{
    reject_delay = 0
    status_server = yes
    allow_vulnerable_openssl = yes
}}
client known {{
    ipaddr = {clients}
    secret = {secret}
    require_message_authenticator = {signed}
}}
modules {{
    eap {{
        default_eap_type = {default}
        max_sessions = {most}
        tls-config common {{
            certificate_file = {chain}
            private_key_file = {key}
            {authorities}
            fragment_size = {fragment}
            include_length = no
            tls_min_version = "{lowest}"
            tls_max_version = "{highest}"
            cipher_list = "DEFAULT@SECLEVEL=0"
        }}
        tls {{
            tls = common
        }}
        ttls {{
            tls = common
            virtual_server = inner
        }}
        peap {{
            tls = common
            virtual_server = inner
        }}
    }}
}}
server outer {{
    listen {{
        type = auth
        ipaddr = *
        port = {port}
    }}
    authorize {{
        {policy}
        eap
    }}
    authenticate {{
        eap
    }}
}}
server inner {{
    authorize {{
        eap
    }}
    authenticate {{
        eap
    }}
}}
"""

DROP = "update control {\n Response-Packet-Type := Do-Not-Respond\n }"
"""A policy that leaves every request without an answer."""


@dataclass(frozen=True)
class Setup:
    """How FreeRADIUS is set up."""

    keys: Keys
    secret: str = SECRET
    default: str = "peap"
    """The method that it proposes first; it agrees to "peap", "ttls" and "tls"."""
    fragment_size: int = 1024
    """It makes them smaller where a request's Framed-MTU is."""
    lowest: str = "1.2"
    highest: str = "1.3"
    """TLS versions."""
    clients: str = f"{LOOPBACK}/8"
    signed: bool = True
    """Whether requests must carry a Message-Authenticator."""
    most: int = 100
    """Sessions that it keeps at a time; further ones are rejected."""
    authorities: Path | None = None
    policy: str = ""
    """What its policy does before EAP."""
    debugging: bool = True
    """Whether it tells all on stdout; else it writes the usual few lines into `radius.log`."""


@contextmanager
def freeradius(directory: Path, setup: Setup, enter: Sequence[str] = ()) -> Iterator[Running]:
    """Run FreeRADIUS in the foreground. It binds every address, like hostapd."""
    directory.mkdir()
    chain, key = setup.keys.write(directory, "server")
    program = needed("freeradius")
    share = program.parents[1]

    def arguments(port: int) -> Sequence[str | Path]:
        text = _CONFIGURATION.format(
            directory=directory,
            into="stdout" if setup.debugging else "files",
            libraries=share / "lib" / "freeradius",
            clients=setup.clients,
            secret=setup.secret,
            signed="yes" if setup.signed else "no",
            default=setup.default,
            most=setup.most,
            chain=chain,
            key=key,
            authorities=f"ca_file = {setup.authorities}" if setup.authorities else "",
            fragment=setup.fragment_size,
            lowest=setup.lowest,
            highest=setup.highest,
            port=port,
            policy=setup.policy,
        )
        (directory / "radiusd.conf").write_text(text, "ascii")
        dictionary = share / "share" / "freeradius"
        how = "-X" if setup.debugging else "-f"
        return [program, "-d", directory, "-D", dictionary, "-n", "radiusd", how]

    def ready(it: Running) -> bool:
        log = it.log if setup.debugging else directory / "radius.log"
        return log.exists() and "Ready to process requests" in log.read_text("utf-8", "replace")

    with running(arguments, directory, (socket.SOCK_DGRAM,), ready, enter) as it:
        yield it


# ---------------------------------------------------------------- what its log says


@dataclass
class Talked:
    """One EAP conversation, as the server's debug log has it."""

    proposed: tuple[int, ...] = ()
    """Methods that it proposed, in this order, as IANA numbers them."""
    flights: list[int] = field(default_factory=list)
    """Octets of TLS in each message that it sent, whole. More than one: the hello was asked for
    once more (RFC 9846, 4.1.4)."""
    fragment: int | None = None
    """Octets of TLS in a fragment that is not the last of its message."""
    agreed: str | None = None
    """The TLS version in which it sent its certificate."""
    replies: list[str] = field(default_factory=list)
    """Kinds of its replies."""
    alerts: tuple[str, ...] = ()
    """TLS alerts that came from the other side."""
    continues: bool = False
    """Whether its last fragment said that more of the message follows."""

    @property
    def over(self) -> bool:
        """Whether it has come to an end, so that nothing of it is kept."""
        return self.replies[-1:] == ["Access-Reject"]


_RECEIVED = re.compile(r"\((\d+)\) Received Access-Request Id \d+ from (\S+) to ")
_SENT = re.compile(r"\(\d+\) Sent (Access-\S+) Id ")
_EAP = re.compile(r"\(\d+\)   EAP-Message = 0x01..(....)(..)?(..)?(.{8})?")
_CERTIFICATE = re.compile(r"send TLS (1\.\d) Handshake, Certificate$")
_ALERT = re.compile(r"recv TLS 1\.\d Alert, (.+)")

_LENGTH, _MORE, _START = 0x80, 0x40, 0x20
"""Flags of a fragment (RFC 5216, 3.1)."""


def talks(log: str) -> tuple[Talked, ...]:
    """Return the conversations, in the order in which they began. Each came from a port of its own.

    The server handles one packet after the other, so that what stands between two of them in its
    log belongs to the first.
    """
    found: dict[str, Talked] = {}
    at = Talked()
    sending = False
    for line in log.splitlines():
        if seen := _RECEIVED.search(line):
            at = found.setdefault(seen[2], Talked())
            sending = False
        elif seen := _SENT.search(line):
            at.replies.append(seen[1])
            sending = True
        elif "TLS-Session-Information" in line:
            continue  # the same once more
        elif seen := _CERTIFICATE.search(line):
            at.agreed = "TLSv1" if seen[1] == "1.0" else f"TLSv{seen[1]}"
        elif seen := _ALERT.search(line):
            at.alerts = (*at.alerts, seen[1])
        elif sending and (seen := _EAP.search(line)):
            _note(at, seen)
            sending = False  # an EAP packet's further attributes hold no header
    return tuple(found.values())


def _note(at: Talked, seen: re.Match[str]) -> None:
    """Note an EAP Request that was sent."""
    length, method, flags, total = int(seen[1], 16), seen[2], seen[3], seen[4]
    if method is None or flags is None:
        return
    bits = int(flags, 16)
    if bits & _START:
        at.proposed = (*at.proposed, int(method, 16))
        return
    # What follows code, identifier, length, type, flags and, where it is there, the whole length.
    carried = length - (10 if bits & _LENGTH else 6)
    if not at.continues:
        at.flights.append(int(total, 16) if bits & _LENGTH and total is not None else carried)
    at.continues = bool(bits & _MORE)
    if at.continues and at.fragment is None:
        at.fragment = carried
