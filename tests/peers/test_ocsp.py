"""OpenSSL's own responder answers for a CA: what it says of a certificate is what is reported.

The certificate is served by nginx, and names the responder's address.
"""

import shutil
import socket
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from lab.authority import Blueprint, Issued, Workshop
from probe.observation.document import read_survey
from probe.observation.model import FetchKind, FetchOutcome, Survey
from tests.peers.pki import HOST, keys_of
from tests.peers.plans import node_table
from tests.peers.servers import LOOPBACK, PeerFailed, Running, Site, nginx, running
from tests.running import Result, probe

NOW = datetime.now(UTC).replace(microsecond=0)
_FAR = 3650

BLUEPRINTS = (
    Blueprint("root", common_name="Lab Root", key="RSA-2048", authority=True, ends=_FAR),
    Blueprint(
        "issuing",
        issuer="root",
        common_name="Lab Issuing",
        key="RSA-2048",
        authority=True,
        ends=_FAR,
    ),
    Blueprint(
        "responder", issuer="issuing", common_name="Lab Responder", purposes=("ocsp",), ends=30
    ),
    Blueprint(
        "web",
        issuer="issuing",
        common_name=HOST,
        names=(HOST,),
        purposes=("server",),
        ends=60,
        addresses=("ocsp",),
    ),
)


def index(issued: Issued, state: str) -> str:
    """Return the line of openssl-ca's database for a certificate; "": it is not in it."""
    if not state:
        return ""
    ends = issued.certificate.not_valid_after_utc.strftime("%y%m%d%H%M%SZ")
    since = (NOW - timedelta(days=1)).strftime("%y%m%d%H%M%SZ")
    revoked = f"{since},superseded" if state == "R" else ""
    serial = f"{issued.certificate.serial_number:X}"
    serial = serial.zfill(len(serial) + len(serial) % 2)
    return f"{state}\t{ends}\t{revoked}\t{serial}\tunknown\t/CN={HOST}\n"


@contextmanager
def responder(directory: Path, state: str, signer: str) -> Iterator[Workshop]:
    """Run `openssl ocsp` for the issuing CA; `signer` is who signs, itself or its delegate."""
    program = shutil.which("openssl")
    if program is None:
        raise PeerFailed("openssl is not here")
    directory.mkdir()
    made: list[Workshop] = []

    def arguments(port: int) -> Sequence[str | Path]:
        workshop = Workshop(BLUEPRINTS, NOW, f"http://{LOOPBACK}:{port}")
        made.append(workshop)
        (directory / "index").write_text(index(workshop["web"], state), "ascii")
        (directory / "ca.pem").write_bytes(workshop["issuing"].pem)
        chain, key = keys_of(workshop.chain((signer,))).write(directory, "signer")
        return [
            *(program, "ocsp", "-port", str(port), "-index", "index", "-CA", "ca.pem"),
            *("-rsigner", chain, "-rkey", key, "-nmin", "60"),
        ]

    def ready(it: Running) -> bool:
        # It would wait for ever for a request over a connection that only tries.
        return "waiting for OCSP client connections" in it.logged()

    with running(arguments, directory, (socket.SOCK_STREAM,), ready):
        yield made[-1]


def visit(directory: Path, state: str, signer: str) -> tuple[Result, Survey]:
    with responder(directory / "ocsp", state, signer) as workshop:
        site = Site(HOST, (keys_of(workshop.chain(("web", "issuing"))),))
        with nginx(directory / "nginx", (site,)) as server:
            (directory / "root.pem").write_bytes(workshop["root"].pem)
            plan = directory / "plan.toml"
            plan.write_text(
                'name = "Independent responder"\n[trust]\npublic = ["root.pem"]\n'
                f"[web]\nport = {server.port}\n[fetch]\nallow = ['127.0.0.0/8']\n{node_table()}",
                "ascii",
            )
            saved = directory / "seen.survey"
            result = probe(plan, "--only", "web", "--save", str(saved))
    return result, read_survey(saved)


@pytest.mark.parametrize("signer", ["issuing", "responder"])
@pytest.mark.parametrize(
    ("state", "rules", "verdict"),
    [
        ("V", set(), "sound"),
        ("R", {"web-revoked"}, "warned"),
        # It does not know the certificate.
        ("", {"web-revocation-unknown"}, "advised"),
    ],
)
def test_what_the_responder_says_is_what_is_reported(
    tmp_path: Path, state: str, rules: set[str], verdict: str, signer: str
) -> None:
    """The CA itself, and a responder that it has named (RFC 6960, 4.2.2.2)."""
    result, survey = visit(tmp_path, state, signer)
    (fetch,) = survey.fetches
    assert (fetch.kind, fetch.outcome) == (FetchKind.OCSP, FetchOutcome.FETCHED)
    assert {rule for rule, *_ in result.findings()} == rules
    assert result.document["verdict"] == verdict
    if state == "R":
        (finding,) = result.document["findings"]
        assert f"{NOW - timedelta(days=1):%Y-%m-%d} (superseded)" in finding["says"]


def test_a_responder_that_nobody_has_named_is_not_believed(tmp_path: Path) -> None:
    """The twin that must fail: the server's own certificate signs the answers."""
    result, _ = visit(tmp_path, "V", "web")
    (finding,) = result.document["findings"]
    assert finding["rule"] == "web-revocation-unknown"
    assert "signed neither by the issuer nor by a responder" in finding["says"]
