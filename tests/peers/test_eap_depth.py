"""hostapd looked at closely: methods, versions, key families and rounds, as it was configured."""

from pathlib import Path

import pytest

from tests.peers.hostapd import CURRENT, EVERY_VERSION, OLD, Radius, left_behind
from tests.peers.looking import METHODS, check_rounds, look_at_hostapd
from tests.peers.pki import ALONE, ECDSA, LONG, LONGEST, RSA, keys
from tests.peers.plans import fingerprints


@pytest.mark.parametrize(
    ("labels", "fragment"),
    [(ALONE, 300), (ALONE, 1400), (LONG, 576), (LONGEST, 300), (LONGEST, 1020), (LONGEST, 1400)],
)
def test_every_method_and_version_shows_the_chain_in_the_rounds_that_it_takes(
    tmp_path: Path, labels: tuple[str, ...], fragment: int
) -> None:
    """Three methods, TLS 1.0 to 1.3, chains of one to ten certificates, fragments of every size."""
    setup = Radius(keys(*labels), tls=EVERY_VERSION, fragment_size=fragment)
    seen = look_at_hostapd(tmp_path, setup)
    served = {one.question.split("/", 3)[3] for one in seen.records if one.outcome == "served"}
    assert served == {
        *METHODS,
        *("PEAP/rsa/TLSv1.2", "PEAP/rsa/TLSv1.3"),
        *("PEAP/old/TLSv1", "PEAP/old/TLSv1.1"),
        *("PEAP/again/2", "PEAP/again/3"),
    }
    for record in seen.records:
        if record.served is not None:
            assert list(record.served.chain) == fingerprints(*labels)
            assert record.served.key_proven is True
            assert record.served.tls in record.asked.tls
    refused = {one.question.split("/", 3)[3] for one in seen.records if one.outcome == "refused"}
    assert refused == {"PEAP/ecdsa/TLSv1.2", "PEAP/ecdsa/TLSv1.3"}
    check_rounds(seen.conversations(), fragment)
    assert left_behind(seen.log) == []
    # Ten of RSA-4096 in the smallest fragments are more than forty rounds (RFC 9191, 3).
    long = labels is LONGEST and fragment == 300
    found = {("eap-long-chain", "eap", ("quay1",), None)} if long else set()
    assert seen.result.findings() == found
    assert "eap-old-tls" in seen.notes()


def test_both_key_families_are_seen_under_both_versions(tmp_path: Path) -> None:
    setup = Radius(keys(*RSA), second=keys(*ECDSA), tls=CURRENT)
    seen = look_at_hostapd(tmp_path, setup)
    by_family = {
        (entry["asked"]["key_family"], *entry["asked"]["tls"]): entry["chain"]
        for entry in seen.result.closer("family", "eap")
    }
    assert by_family == {
        ("rsa", "TLSv1.2"): fingerprints(*RSA),
        ("rsa", "TLSv1.3"): fingerprints(*RSA),
        ("ecdsa", "TLSv1.2"): fingerprints(*ECDSA),
        ("ecdsa", "TLSv1.3"): fingerprints(*ECDSA),
    }
    for entry in seen.result.closer("family", "eap"):
        assert entry["key_family"] == entry["asked"]["key_family"]
        assert entry["key_proven"] is True
    assert {entry["outcome"] for entry in seen.result.closer("old-version", "eap")} == {"refused"}
    check_rounds(seen.conversations(), setup.fragment_size)
    assert left_behind(seen.log) == []
    assert (seen.result.status, seen.result.findings()) == (0, set())


@pytest.mark.parametrize("tls", OLD)
def test_a_server_of_old_versions_only_is_told_from_one_that_refuses(
    tmp_path: Path, tls: str
) -> None:
    """To a hello of TLS 1.2 and 1.3 it says no by a bare Access-Reject; an older one it takes."""
    setup = Radius(keys(*RSA), tls=(tls,))
    seen = look_at_hostapd(tmp_path, setup)
    assert {record.outcome for record in seen.records} == {"served", "refused"}
    served = [record.question for record in seen.records if record.outcome == "served"]
    assert [question.split("/", 3)[3] for question in served] == [f"PEAP/old/{tls}"]
    assert {rule for rule, *_ in seen.result.findings()} == {"eap-old-tls"}
    check_rounds(seen.conversations(), setup.fragment_size)
    assert left_behind(seen.log) == []


# ---------------------------------------------------------------- what is proposed, and agreed to


@pytest.mark.parametrize(
    ("users", "proposed"),
    [
        ("PEAP,TTLS,TLS", (["PEAP"], ["PEAP", "EAP-TTLS"], ["PEAP", "EAP-TLS"])),
        ("TTLS,TLS,PEAP", (["EAP-TTLS", "PEAP"], ["EAP-TTLS"], ["EAP-TTLS", "EAP-TLS"])),
        ("TLS,PEAP,TTLS", (["EAP-TLS", "PEAP"], ["EAP-TLS", "EAP-TTLS"], ["EAP-TLS"])),
        (
            "FAST,TLS,PEAP,TTLS",
            (["EAP-FAST", "PEAP"], ["EAP-FAST", "EAP-TTLS"], ["EAP-FAST", "EAP-TLS"]),
        ),
    ],
)
def test_what_is_proposed_first_and_agreed_to_after_a_nak(
    tmp_path: Path, users: str, proposed: tuple[list[str], ...]
) -> None:
    setup = Radius(keys(*RSA), users=f"* {users}", fast="FAST" in users, tls=CURRENT)
    seen = look_at_hostapd(tmp_path, setup)
    for method, expected in zip(METHODS, proposed, strict=True):
        record = seen.record(method)
        assert record.eap is not None
        assert record.eap.method == method
        assert list(record.eap.proposed) == expected
    entries = {entry["asked"]["method"]: entry for entry in seen.result.endpoints("eap")}
    assert [entries[method]["proposed"] for method in METHODS] == list(proposed)
    check_rounds(seen.conversations(), setup.fragment_size)
    assert left_behind(seen.log) == []
    assert seen.result.findings() == set()


@pytest.mark.parametrize("version", [0, 1])
def test_both_versions_of_peap_show_the_chain(tmp_path: Path, version: int) -> None:
    setup = Radius(keys(*RSA), users=f"* PEAP [ver={version}]", tls=CURRENT)
    seen = look_at_hostapd(tmp_path, setup, methods=("PEAP",))
    (record,) = (one for one in seen.records if one.asked.aspect is None)
    assert record.eap is not None
    assert record.eap.peap_version == version
    assert f"EAP-PEAP: forcing version {version}" in seen.log
    check_rounds(seen.conversations(), setup.fragment_size)
    assert seen.result.findings() == set()


def test_a_server_of_eap_fast_alone_is_told_by_what_it_proposes(tmp_path: Path) -> None:
    setup = Radius(keys(*RSA), users="* FAST", fast=True)
    seen = look_at_hostapd(tmp_path, setup)
    assert {record.outcome for record in seen.records} == {"method-refused"}
    (said,) = [one["says"] for one in seen.result.document["findings"]]
    assert "quay1 does not agree to PEAP, EAP-TTLS or EAP-TLS, and proposes EAP-FAST." in said
    assert left_behind(seen.log) == []


def test_methods_that_are_not_offered_are_a_note_beside_one_that_is(tmp_path: Path) -> None:
    seen = look_at_hostapd(tmp_path, Radius(keys(*RSA), users="* TTLS", tls=CURRENT))
    outcomes = [seen.record(method).outcome for method in METHODS]
    assert outcomes == ["method-refused", "served", "method-refused"]
    assert seen.result.findings() == set()
    assert "eap-method-refused" in seen.notes()
    assert left_behind(seen.log) == []
