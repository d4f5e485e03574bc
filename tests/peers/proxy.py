"""radsecproxy, a RadSec server of other hands (RFC 6614), in front of a RADIUS server."""

import socket
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from tests.peers.servers import LOOPBACK, SECRET, Keys, Running, answers_tcp, needed, running


@dataclass(frozen=True)
class Proxy:
    """How the proxy is set up."""

    keys: Keys
    clients: str
    """PEM of the CA that its clients' certificates come from."""
    behind: int
    """UDP port of the RADIUS server that it passes on to."""
    versions: str = "TLS1_2:TLS1_3"
    """Lowest and highest, as it writes them."""
    secret: str = SECRET
    """Of the server behind."""


@contextmanager
def radsecproxy(directory: Path, setup: Proxy) -> Iterator[Running]:
    """Run radsecproxy on TLS alone. It takes certificates of one CA, whatever their names."""
    directory.mkdir()
    chain, key = setup.keys.write(directory, "server")
    (directory / "clients.pem").write_text(setup.clients, "ascii")

    def arguments(port: int) -> Sequence[str | Path]:
        (directory / "radsecproxy.conf").write_text(
            f"ListenTLS {LOOPBACK}:{port}\n"
            "LogLevel 1\n"
            "tls default {\n"
            f"  CACertificateFile {directory / 'clients.pem'}\n"
            f"  CertificateFile {chain}\n"
            f"  CertificateKeyFile {key}\n"
            f"  TlsVersion {setup.versions}\n"
            "}\n"
            "client everybody {\n"
            f"  host {LOOPBACK}\n  type tls\n  tls default\n  secret radsec\n"
            "  certificateNameCheck off\n"
            "}\n"
            "server behind {\n"
            f'  host {LOOPBACK}\n  port {setup.behind}\n  type udp\n  secret "{setup.secret}"\n'
            "}\n"
            "realm * {\n  server behind\n}\n",
            "ascii",
        )
        return [needed("radsecproxy"), "-f", "-c", directory / "radsecproxy.conf"]

    with running(arguments, directory, (socket.SOCK_STREAM,), answers_tcp) as it:
        yield it
