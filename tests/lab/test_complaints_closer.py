"""What else may come with a complaint: the certificate that was shown, the server's log, and
words that nobody knows. (What an earlier time had is in `tests/cli/test_complaint.py`.)"""

import hashlib
from collections.abc import Iterator
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.serialization import Encoding

from lab.cluster import Cluster
from lab.scenario import Scenario
from tests.lab.complaints import EAP3, GUEST, NOTHING
from tests.lab.test_complaints import answered, causes
from tests.lab.test_findings import DAY
from tests.running import Result

NOT_OURS = (
    "The certificate on that screen is none that is known to be ours: take it for somebody else's "
    "server, until the opposite is shown."
)
FREERADIUS_LOG = """\
(25) eap_peap: ERROR: (TLS) PEAP - Alert read:fatal:unknown CA
(25) eap_peap: ERROR: (TLS) Failed reading from OpenSSL: \
error:0A000418:SSL routines::tlsv1 alert unknown ca
(25) eap: ERROR: Failed continuing EAP PEAP (25) session.  EAP sub-module failed
(25) Login incorrect (eap_peap: (TLS) PEAP - Alert read:fatal:unknown CA): [captain.nemo] \
(from client terminal-ap-4 port 0 cli 02-00-00-AB-CD-EF)
"""
"""As in issue reports of FreeRADIUS' own repository, for 3.2; the name, the access point and the
station are made up."""
HOSTAPD_LOG = "SSL: SSL3 alert: read (remote end reported an error):fatal:unknown CA\n"
"""hostap, src/crypto/tls_openssl.c, ssl_info_cb."""


def running(scenario: str, folders: pytest.TempPathFactory) -> Iterator[Cluster]:
    with Cluster(Scenario.load(scenario), directory=folders.mktemp(scenario), at=DAY) as lab:
        yield lab


@pytest.fixture(scope="module")
def healthy(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cluster]:
    yield from running("healthy-cluster", tmp_path_factory)


@pytest.fixture(scope="module")
def strange(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cluster]:
    yield from running("eap-unknown-root", tmp_path_factory)


@pytest.fixture(scope="module")
def two(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cluster]:
    yield from running("eap-leaf-differs", tmp_path_factory)


def fingerprint(lab: Cluster, label: str, algorithm: str = "sha256") -> str:
    """Return it as hex digits, reckoned by the standard library."""
    der = lab.issued(label).certificate.public_bytes(Encoding.DER)
    return hashlib.new(algorithm, der).hexdigest()


def whose(result: Result) -> str:
    word: str = result.document["recognised"]["whose"]
    return word


# ------------------------------------------------------------ the certificate that was shown


@pytest.mark.parametrize(
    ("algorithm", "between", "every"),
    [("sha1", ":", 2), ("sha1", " ", 8), ("sha256", " ", 2), ("sha256", "", 64)],
)
def test_a_fingerprint_of_ours_is_recognised_however_it_is_written(
    healthy: Cluster, algorithm: str, between: str, every: int
) -> None:
    digits = fingerprint(healthy, "eap", algorithm).upper()
    written = between.join(digits[at : at + every] for at in range(0, len(digits), every))
    result = answered(healthy.plan_path, "--on-wifi", "--fingerprint", written)
    assert whose(result) == "ours"
    assert result.document["recognised"]["nodes"] == ["quay1", "quay2", "quay3"]
    assert result.document["first"] == NOTHING


@pytest.mark.parametrize(
    "shown",
    [
        ("--fingerprint", "5f" * 32),
        ("--fingerprint", ":".join(["5F"] * 20)),
        ("--shown-name", "hotel.example", "--shown-issuer", "Some Hotel"),
        ("--shown-name", "radius.northpier.example", "--shown-issuer", "Other Networks CA"),
        ("--shown-expiry", "2031-01-01"),
    ],
)
def test_what_is_none_of_ours_is_said_loudly_and_stands_first(
    strange: Cluster, shown: tuple[str, ...]
) -> None:
    """Also where a fault is found: it may not be the one that was met."""
    result = answered(strange.plan_path, "--saw", "0x800B0109", "--on-wifi", *shown)
    assert whose(result) == "unknown"
    assert result.document["first"] == NOT_OURS
    assert not result.document["advice"]["safe"]
    assert causes(result, "confirmed")[0]["rule"] == "eap-unknown-root"


def test_what_fits_ours_can_stand_in_anybodys(strange: Cluster) -> None:
    shown = ("--shown-name", "RADIUS.northpier.example", "--shown-issuer", "Dry Dock Test CA")
    result = answered(strange.plan_path, "--saw", "0x800B0109", "--on-wifi", *shown)
    assert whose(result) == "fits"
    assert result.document["recognised"]["nodes"] == ["quay3"]
    assert not result.document["advice"]["safe"]


def test_it_is_safe_to_go_on_where_ours_was_shown_and_the_fault_is_harmless(two: Cluster) -> None:
    """RFC 9190, 2.2: who has accepted one server's certificate is asked again about another's."""
    saw = ("--saw", "Continue connecting?", "--client", "Windows")
    result = answered(
        two.plan_path, *saw, "--fingerprint", fingerprint(two, "eap-of-quay3", "sha1")
    )
    assert causes(result, "confirmed")[0]["rule"] == "eap-leaf-differs"
    assert (whose(result), result.document["recognised"]["nodes"]) == ("ours", ["quay3"])
    assert result.document["advice"]["safe"]
    untold = answered(two.plan_path, *saw)
    assert not untold.document["advice"]["safe"]


@pytest.mark.parametrize("label", ["northpier-root", "northpier-issuing"])
def test_a_certificate_of_a_ca_is_sent_along_by_anybody(two: Cluster, label: str) -> None:
    """What vouches for a server is its own certificate, whose key it has."""
    saw = ("--saw", "Continue connecting?", "--client", "Windows")
    result = answered(two.plan_path, *saw, "--fingerprint", fingerprint(two, label))
    assert not result.document["advice"]["safe"]


@pytest.mark.parametrize("scenario", ["eap-key-unproven", "eap-revoked"])
def test_ours_is_not_safe_where_somebody_else_may_have_its_key(
    tmp_path: Path, scenario: str
) -> None:
    """Revoked for keyCompromise; and whoever cannot prove the key need not be our server."""
    with Cluster(Scenario.load(scenario), directory=tmp_path, at=DAY) as lab:
        result = answered(lab.plan_path, "--on-wifi", "--fingerprint", fingerprint(lab, "eap"))
    assert (whose(result), result.document["advice"]["safe"]) == ("ours", False)


# ------------------------------------------------------------ the server's log


@pytest.mark.parametrize("log", [FREERADIUS_LOG, HOSTAPD_LOG], ids=["FreeRADIUS", "hostapd"])
def test_an_alert_that_the_server_received_speaks_of_its_certificate(
    strange: Cluster, tmp_path: Path, log: str
) -> None:
    """RFC 9846, 6.2: unknown_ca, the certificate leads to no CA that the other side has."""
    (tmp_path / "log").write_text(log, "utf-8")
    result = answered(strange.plan_path, "--server-log", str(tmp_path / "log"))
    confirmed = causes(result, "confirmed")
    assert [(one["rule"], one["nodes"]) for one in confirmed] == [("eap-unknown-root", ["quay3"])]
    assert result.document["first"] == (
        f'{EAP3}, which leads to "Dry Dock Test CA", which is not among the roots that supplicants '
        "have for it."
    )
    said = str(result.document)
    for secret in ("nemo", "terminal-ap-4", "02-00-00-AB-CD-EF"):
        assert secret not in said


def test_an_alert_that_the_server_sent_speaks_of_the_clients(
    strange: Cluster, tmp_path: Path
) -> None:
    log = HOSTAPD_LOG.replace("read (remote end reported", "write (local SSL3 detected")
    (tmp_path / "log").write_text(log, "utf-8")
    result = answered(strange.plan_path, "--server-log", str(tmp_path / "log"))
    assert causes(result, "confirmed") == []
    assert result.document["first"] == (
        "These words speak of the client's own certificate, account or policy, and not of the "
        "certificate that a server shows."
    )


# ------------------------------------------------------------ words


@pytest.mark.parametrize(
    ("words", "nearest"),
    [("SEC_ERROR_EXPIRED_CERT", "SEC_ERROR_EXPIRED_CERTIFICATE"), ("the spinning wheel", None)],
)
def test_words_that_nobody_knows_are_said_to_be_unknown(
    strange: Cluster, words: str, nearest: str | None
) -> None:
    result = answered(strange.plan_path, "--saw", words, "--at-page", GUEST)
    (heard,) = result.document["heard"]
    assert heard["known"] == []
    assert (heard["nearest"] or [None])[0] == nearest
    assert causes(result, "confirmed") == []


@pytest.mark.parametrize("words", ["alert 450", "-2001", "reason=1", "0x8042020", "10", "error"])
def test_a_number_within_another_one_is_not_read(strange: Cluster, words: str) -> None:
    result = answered(strange.plan_path, f"--saw={words}")
    assert [heard["known"] for heard in result.document["heard"]] == [[]]


# ------------------------------------------------------------ sources


def test_a_saved_survey_gives_the_same_answer(strange: Cluster, tmp_path: Path) -> None:
    saved = tmp_path / "seen.survey"
    saw = ("--saw", "EAP_E_SERVER_ROOT_CERT_NOT_FOUND", "--client", "Windows")
    live = answered(strange.plan_path, *saw, "--save", str(saved))
    offline = answered(strange.plan_path, *saw, "--from", str(saved))
    for key in ("first", "causes", "advice", "heard"):
        assert offline.document[key] == live.document[key]
