"""nginx looked at closely: families, versions, names, staple and clock, as it was configured."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.serialization import Encoding
from cryptography.x509 import ocsp

from probe.observation.document import read_survey
from probe.observation.model import Handshake
from tests.peers.pki import GUEST, HOST, issued, keys
from tests.peers.plans import fingerprints, node_table, write_plan
from tests.peers.servers import Site, nginx
from tests.running import Result, probe

RSA = ("web-rsa-2048", "public-issuing")
ECDSA = ("web-p-256", "public-issuing")
CURRENT = "TLSv1.2 TLSv1.3"
ALL = "TLSv1 TLSv1.1 TLSv1.2 TLSv1.3"
QUIET = "access_log off;"
LEVEL = f"{QUIET} ssl_ciphers ALL:@SECLEVEL=0;"
"""OpenSSL 3 speaks the old versions at this level only."""


def look(
    directory: Path, *sites: Site, tls: str = CURRENT, settings: str = QUIET, more: str = ""
) -> tuple[Result, tuple[Handshake, ...], str]:
    """Return the report of `probe node`, the web records of its survey, and nginx's log."""
    saved = directory / "seen.survey"
    with nginx(directory / "nginx", sites, protocols=tls, settings=settings) as server:
        plan = write_plan(directory, f"[web]\nport = {server.port}\n", more, node_table())
        options = ("--only", "web", "--save", str(saved))
        result = probe(plan, *options, command=("node", "quay1"))
        logged = server.logged()
    return result, read_survey(saved).handshakes, logged


def by_family(result: Result) -> dict[tuple[str, str], tuple[str, list[str]]]:
    """Return what became of each family under each version: the outcome and the chain."""
    return {
        (entry["asked"]["key_family"], *entry["asked"]["tls"]): (entry["outcome"], entry["chain"])
        for entry in result.closer("family")
    }


def outcomes(result: Result, aspect: str) -> dict[str, str]:
    return {entry["asked"]["tls"][0]: entry["outcome"] for entry in result.closer(aspect)}


def test_two_certificates_are_both_seen_under_both_versions(tmp_path: Path) -> None:
    result, _, _ = look(tmp_path, Site(HOST, (keys(*RSA), keys(*ECDSA))))
    rsa, ecdsa = ("served", fingerprints(*RSA)), ("served", fingerprints(*ECDSA))
    assert by_family(result) == {
        ("rsa", "TLSv1.2"): rsa,
        ("rsa", "TLSv1.3"): rsa,
        ("ecdsa", "TLSv1.2"): ecdsa,
        ("ecdsa", "TLSv1.3"): ecdsa,
    }
    for entry in result.closer("family"):
        assert entry["tls"] == entry["asked"]["tls"][0]
        assert entry["key_family"] == entry["asked"]["key_family"]
        assert entry["key_proven"] is True
    assert (result.status, result.findings()) == (0, set())


def test_a_sweep_sees_both_by_one_hello_each(tmp_path: Path) -> None:
    with nginx(tmp_path / "nginx", [Site(HOST, (keys(*RSA), keys(*ECDSA)))]) as server:
        plan = write_plan(tmp_path, f"[web]\nport = {server.port}\n", node_table())
        result = probe(plan, "--only", "web")
    assert {e["asked"]["key_family"]: e["chain"] for e in result.closer("family")} == {
        "rsa": fingerprints(*RSA),
        "ecdsa": fingerprints(*ECDSA),
    }
    assert result.findings() == set()


@pytest.mark.parametrize(("labels", "other"), [(RSA, "ecdsa"), (ECDSA, "rsa")])
@pytest.mark.parametrize("tls", ["TLSv1.2", "TLSv1.3"])
def test_one_certificate_under_one_version(
    tmp_path: Path, labels: tuple[str, str], other: str, tls: str
) -> None:
    """Whatever is not there is refused, and that is no finding."""
    result, _, _ = look(tmp_path, Site(HOST, (keys(*labels),)), tls=tls)
    served = {key for key, (outcome, _) in by_family(result).items() if outcome == "served"}
    own = "rsa" if other == "ecdsa" else "ecdsa"
    assert served == {(own, tls)}
    assert {outcome for outcome, _ in by_family(result).values()} == {"served", "refused"}
    assert outcomes(result, "old-version") == {"TLSv1": "refused", "TLSv1.1": "refused"}
    assert (result.status, result.findings()) == (0, set())


@pytest.mark.parametrize("labels", [RSA, ECDSA], ids=["rsa", "ecdsa"])
def test_old_versions_are_seen(tmp_path: Path, labels: tuple[str, str]) -> None:
    result, _, _ = look(tmp_path, Site(HOST, (keys(*labels),)), tls=ALL, settings=LEVEL)
    for entry in result.closer("old-version"):
        assert entry["outcome"] == "served"
        assert [entry["tls"]] == entry["asked"]["tls"]
        assert entry["chain"] == fingerprints(*labels)


def test_a_server_with_nothing_but_old_versions(tmp_path: Path) -> None:
    result, _, _ = look(tmp_path, Site(HOST, (keys(*RSA),)), tls="TLSv1 TLSv1.1", settings=LEVEL)
    assert {entry["outcome"] for entry in result.endpoints("web")} == {"refused"}
    assert outcomes(result, "old-version") == {"TLSv1": "served", "TLSv1.1": "served"}


def test_names_by_name_without_one_and_by_another(tmp_path: Path) -> None:
    """The first site is nginx's default server."""
    service = f'[[service]]\nname = "{GUEST}"\nendpoint = "web"\naudience = "guests"\n'
    guest = ("web-guest", "public-issuing")
    sites = (Site(GUEST, (keys(*guest),)), Site(HOST, (keys(*RSA),)))
    result, _, _ = look(tmp_path, *sites, more=service)
    assert {entry["name"]: entry["chain"] for entry in result.endpoints("web")} == {
        HOST: fingerprints(*RSA),
        GUEST: fingerprints(*guest),
    }
    (unnamed,), (other,) = result.closer("no-name"), result.closer("other-name")
    assert unnamed["asked"]["server_name"] is None
    assert other["asked"]["server_name"] == "elsewhere.invalid"
    assert unnamed["chain"] == other["chain"] == fingerprints(*guest)
    again = [(entry["name"], entry["chain"]) for entry in result.closer("again")]
    assert again == [(GUEST, fingerprints(*guest))] * 2 + [(HOST, fingerprints(*RSA))] * 2


def response() -> bytes:
    """An OCSP response for the RSA certificate, made by its issuer's key."""
    leaf, issuer = issued(*RSA)
    now = datetime.now(UTC)
    made = (
        ocsp.OCSPResponseBuilder()
        .add_response(
            cert=leaf.certificate,
            issuer=issuer.certificate,
            algorithm=hashes.SHA1(),  # noqa: S303  # of names, as RFC 5019 has it
            cert_status=ocsp.OCSPCertStatus.GOOD,
            this_update=now - timedelta(hours=1),
            next_update=now + timedelta(days=3),
            revocation_time=None,
            revocation_reason=None,
        )
        .responder_id(ocsp.OCSPResponderEncoding.HASH, issuer.certificate)
        .sign(issuer.key, hashes.SHA256())
    )
    return made.public_bytes(Encoding.DER)


@pytest.mark.parametrize("tls", ["TLSv1.2", "TLSv1.3"])
def test_the_staple_is_the_file(tmp_path: Path, tls: str) -> None:
    staple = response()
    (tmp_path / "staple").write_bytes(staple)
    stapling = f"{QUIET} ssl_stapling on; ssl_stapling_file {tmp_path / 'staple'};"
    result, records, _ = look(tmp_path, Site(HOST, (keys(*RSA),)), tls=tls, settings=stapling)
    assert [r.served.staple for r in records if r.served] == [staple] * sum(
        record.served is not None for record in records
    )
    assert (result.status, result.findings()) == (0, set())


def test_without_stapling_there_is_none(tmp_path: Path) -> None:
    _, records, _ = look(tmp_path, Site(HOST, (keys(*RSA),)))
    assert {r.served.staple for r in records if r.served} == {None}


@pytest.mark.parametrize("tls", ["TLSv1.2", "TLSv1.3"])
def test_one_head_tells_clock_and_strict_transport(tmp_path: Path, tls: str) -> None:
    header = 'add_header Strict-Transport-Security "max-age=31536000" always;'
    access = f"access_log {tmp_path / 'access'};"
    before = datetime.now(UTC).replace(microsecond=0)
    result, records, logged = look(
        tmp_path, Site(HOST, (keys(*RSA),)), tls=tls, settings=header + access
    )
    (seen,) = [record.http for record in records if record.http is not None]
    assert (seen.status, seen.strict_transport) == (204, "max-age=31536000")
    assert seen.date is not None
    assert before <= seen.date <= datetime.now(UTC)
    assert "alert" not in logged, "it ends as TLS wants it"
    (line,) = (tmp_path / "access").read_text("utf-8").splitlines()
    assert '"HEAD / HTTP/1.1" 204 0 "-" "cluster-probe"' in line
    assert result.status == 0


def test_a_full_look_is_at_most_twelve_connections(tmp_path: Path) -> None:
    """Counted by nginx: it numbers its connections. One is the test's own, to see it is up."""
    result, records, logged = look(tmp_path, Site(HOST, (keys(*RSA), keys(*ECDSA))))
    numbers = {int(line.split("*")[1].split()[0]) for line in logged.splitlines() if "*" in line}
    assert len(records) == 11
    assert max(numbers) - 1 <= 12
    assert not result.document["unseen"]
