"""FreeRADIUS, a second server that shares no code with anybody here, looked at closely."""

from collections.abc import Sequence
from math import ceil
from pathlib import Path

import pytest

from probe.observation.model import Handshake
from tests.peers.freeradius import Setup, Talked, freeradius, talks
from tests.peers.looking import METHODS, NUMBERS, ONE_BY_ONE, Looked, look
from tests.peers.pki import ECDSA, LONG, LONGEST, RSA, keys
from tests.peers.plans import eap_table, fingerprints, node_table, write_plan
from tests.peers.rounds import after_the_proof, round_trips


def look_at_freeradius(
    directory: Path,
    setup: Setup,
    *options: str,
    methods: Sequence[str] = METHODS,
    more: str = ONE_BY_ONE,
    command: Sequence[str] = ("node", "quay1"),
) -> Looked:
    with freeradius(directory / "freeradius", setup) as server:
        plan = write_plan(directory, eap_table(server.port, *methods), more, node_table())
        result, records = look(plan, *options, command=command)
        return Looked(result, records, server.logged())


def check(
    conversations: Sequence[tuple[Handshake, Talked]], authorities: Sequence[bytes] = ()
) -> None:
    """Check that both sides tell the same, that the rounds are those that the arithmetic gives, and
    that the server keeps nothing of it."""
    for record, talked in conversations:
        assert record.eap is not None
        assert tuple(NUMBERS[name] for name in record.eap.proposed) == talked.proposed
        fragments = 1
        if record.outcome == "served":
            assert record.served is not None
            assert record.served.tls == talked.agreed
            behind = after_the_proof(str(record.eap.method), str(talked.agreed), authorities)
            octets = talked.flights[-1] - behind
            fragments = ceil(octets / talked.fragment) if talked.fragment is not None else 1
            assert talked.alerts == ("warning user_canceled", "warning close_notify")
        retries = max(0, len(talked.flights) - 1)
        expected = round_trips(len(talked.proposed) - 1, fragments, retries=retries)
        assert record.round_trips == expected, (record, talked)
        assert talked.over, (record, talked)


@pytest.mark.parametrize(
    ("labels", "fragment"),
    [(ECDSA, 300), (LONG, 300), (RSA, 600), (LONGEST, 1400)],
)
def test_every_method_and_version_shows_the_chain_in_the_rounds_that_it_takes(
    tmp_path: Path, labels: tuple[str, ...], fragment: int
) -> None:
    """TLS 1.0 to 1.3, under 1.3 with a hello that is asked for once more. It keeps one session at a
    time: one that were left behind would keep the next one out."""
    setup = Setup(keys(*labels), lowest="1.0", fragment_size=fragment, most=1)
    seen = look_at_freeradius(tmp_path, setup)
    family, other = ("ecdsa", "rsa") if labels is ECDSA else ("rsa", "ecdsa")
    outcomes = {one.question.split("/", 3)[3]: str(one.outcome) for one in seen.records}
    assert outcomes == {
        **dict.fromkeys(METHODS, "served"),
        **dict.fromkeys([f"PEAP/{family}/TLSv1.2", f"PEAP/{family}/TLSv1.3"], "served"),
        **dict.fromkeys([f"PEAP/{other}/TLSv1.2", f"PEAP/{other}/TLSv1.3"], "refused"),
        **dict.fromkeys(["PEAP/old/TLSv1", "PEAP/old/TLSv1.1"], "served"),
        **dict.fromkeys(["PEAP/again/2", "PEAP/again/3"], "served"),
    }
    for record in seen.records:
        if record.served is not None:
            assert list(record.served.chain) == fingerprints(*labels)
            assert record.served.key_proven is True
    check(list(zip(seen.records, talks(seen.log), strict=True)))
    assert seen.result.findings() == set()
    assert "eap-old-tls" in seen.notes()


def test_a_server_that_gives_up_after_fifty_rounds_is_told_by_the_length_of_its_chain(
    tmp_path: Path,
) -> None:
    """It does so by a reject, in one method before the last certificate, in others behind it."""
    seen = look_at_freeradius(tmp_path, Setup(keys(*LONGEST), fragment_size=300, most=1))
    assert "Aborting! More than 50 roundtrips made" in seen.log
    assert {seen.record(method).outcome for method in METHODS} == {"served", "refused"}
    assert {seen.record(method).round_trips for method in METHODS} == {52}
    assert seen.result.findings() == {("eap-long-chain", "eap", ("quay1",), None)}
    finding = seen.finding("eap-long-chain")
    assert finding["verdict"] == "blocked"
    assert "takes a login over 50 round trips" in finding["says"]
    assert all(talked.over for talked in talks(seen.log))
