"""The way to an independent RADIUS server and back: what is lost, and what comes from elsewhere."""

from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from math import ceil
from pathlib import Path
from typing import Any

import pytest

from lab.relay import Balancing
from lab.relay import Path as Lossy
from probe.observation.model import Handshake
from tests.peers.freeradius import DROP, Setup, freeradius, talks
from tests.peers.hostapd import CURRENT, Radius, hostapd, left_behind, sessions
from tests.peers.looking import LIMITS, QUICK, Looked, look
from tests.peers.pki import EXPECTED, LONG, RSA, keys
from tests.peers.plans import eap_table, fingerprints, node_table, write_plan
from tests.peers.rounds import after_the_proof, round_trips
from tests.peers.servers import LOOPBACK, SECRET, Running
from tests.peers.ways import (
    LARGEST_WHOLE,
    OTHER,
    PROBE,
    SECOND,
    SERVER,
    Tap,
    namespaces,
    namespaces_are_to_be_had,
    relayed,
)

IN_NAMESPACES = ["namespaces"] if namespaces_are_to_be_had() else []
"""On top of what every machine runs."""

LOST = LIMITS + QUICK
VIRTUAL = "127.0.0.3"
NEIGHBOURS = {"relay": "127.0.0.0/8", "loopback": "127.0.0.0/8", "namespaces": "192.0.2.0/24"}
"""Whom a server takes requests from."""
Serving = Callable[[Sequence[str]], AbstractContextManager[Running]]


@dataclass(frozen=True)
class Met:
    """A server, and how the command gets there."""

    address: str
    port: int
    server: Running
    inside: Sequence[str] = ()
    """What runs the command where the server is to be reached from."""


@contextmanager
def behind(way: str, serve: Serving, *lost: str) -> Iterator[Met]:
    """Run a server behind a path on which large `lost`, "requests" and "replies", are lost."""
    if way == "relay":
        lossy = Lossy(
            lose_requests_over=LARGEST_WHOLE if "requests" in lost else None,
            lose_replies_over=LARGEST_WHOLE if "replies" in lost else None,
        )
        with serve(()) as server, relayed(server.port, lossy=lossy) as port:
            yield Met(LOOPBACK, port, server)
    else:
        with namespaces(lost=frozenset(lost)) as hosts, serve(hosts.server) as server:
            yield Met(SERVER, server.port, server, hosts.probe)


@contextmanager
def at_two_addresses(way: str, serve: Serving) -> Iterator[tuple[Met, Met]]:
    """Run a server that binds every address; yield how to reach it at the one that it answers from,
    and at another one."""
    if way == "loopback":
        with serve(()) as server:
            yield Met(LOOPBACK, server.port, server), Met(OTHER, server.port, server)
    else:
        with namespaces() as hosts, serve(hosts.server) as server:
            first = Met(SERVER, server.port, server, hosts.probe)
            yield first, Met(SECOND, server.port, server, hosts.probe)


def sweep(directory: Path, met: Met, *methods: str, more: str = LOST) -> Looked:
    table = eap_table(met.port, *methods or ("PEAP",))
    plan = write_plan(directory, table, more, node_table(address=met.address))
    result, records = look(plan, command=("cluster",), inside=met.inside)
    return Looked(result, records, met.server.logged())


def by_hostapd(directory: Path, way: str) -> Serving:
    radius = Radius(keys(*LONG), clients=NEIGHBOURS[way], tls=CURRENT)
    return lambda enter: hostapd(directory / "hostapd", radius, enter)


def by_freeradius(directory: Path, way: str) -> Serving:
    chosen = Setup(keys(*LONG), clients=NEIGHBOURS[way], fragment_size=1400)
    return lambda enter: freeradius(directory / "freeradius", chosen, enter)


# ---------------------------------------------------------------- large packets


@pytest.mark.parametrize("way", ["relay", *IN_NAMESPACES])
def test_large_replies_that_are_lost_are_found_by_smaller_ones(tmp_path: Path, way: str) -> None:
    """A server that heeds Framed-MTU gets its chain through in small packets."""
    with behind(way, by_freeradius(tmp_path, way), "replies") as met:
        seen = sweep(tmp_path, met)
    (record,) = seen.records
    assert (record.outcome, record.trials[0].kind) == ("cut-off", "smaller-replies")
    assert outcomes(record) == {"smaller-replies": "served", "large-request": "served"}
    visited, smaller, large = talks(seen.log)
    assert (visited.over, smaller.over, large.over) == (True, True, True)
    assert smaller.fragment == 500
    behind_it = after_the_proof("PEAP", "TLSv1.3")
    fragments = ceil((smaller.flights[-1] - behind_it) / smaller.fragment)
    rounds = round_trips(0, fragments, retries=len(smaller.flights) - 1)
    said = f"Framed-MTU 500: the chain came after {rounds} round trips;"
    assert str(record.trials[0].detail).startswith(said)
    assert seen.result.findings() == {("eap-fragments-lost", "eap", ("quay1",), None)}
    finding = seen.finding("eap-fragments-lost")
    assert finding["verdict"] == "blocked"
    assert "large ones are lost on the way: no certificate gets through." in finding["says"]
    assert "Let UDP fragments pass everywhere between here and quay1" in finding["remedy"]
    assert "the same in small packets: answered (Framed-MTU 500" in told(finding)


@pytest.mark.parametrize("way", ["relay", *IN_NAMESPACES])
def test_large_packets_that_are_lost_both_ways_are_found_by_a_large_request(
    tmp_path: Path, way: str
) -> None:
    """hostapd does not heed Framed-MTU: that nothing large gets there either tells the path from
    the server."""
    with behind(way, by_hostapd(tmp_path, way), "requests", "replies") as met:
        seen = sweep(tmp_path, met)
    (record,) = seen.records
    assert record.outcome == "cut-off"
    assert outcomes(record) == {
        "smaller-replies": "cut-off",
        "unconnected": "cut-off",
        "large-request": "silent",
    }
    assert seen.result.findings() == {("eap-fragments-lost", "eap", ("quay1",), None)}
    assert "a large request: no answer" in told(seen.finding("eap-fragments-lost"))
    # Three conversations, whose replies were lost in their midst; nothing is left of them.
    assert len(sessions(seen.log)) == 3
    assert left_behind(seen.log) == []


@pytest.mark.parametrize("way", ["relay", *IN_NAMESPACES])
def test_a_server_that_sends_large_packets_whatever_is_asked_for_is_not_accused_of_loss(
    tmp_path: Path, way: str
) -> None:
    """Replies that are lost one way only look like a server that stops: what may be is said."""
    with behind(way, by_hostapd(tmp_path, way), "replies") as met:
        seen = sweep(tmp_path, met)
    assert outcomes(seen.records[0])["large-request"] == "served"
    assert len(sessions(seen.log)) == 4
    assert left_behind(seen.log) == []
    assert seen.result.findings() == {("eap-refused", "eap", ("quay1",), None)}
    finding = seen.finding("eap-refused")
    assert "falls silent in PEAP before it shows a certificate" in finding["says"]
    assert (
        "check that large UDP packets, which travel in fragments, get through" in finding["remedy"]
    )


@pytest.mark.parametrize("lost", [(), ("requests",)], ids=["nothing", "requests"])
@pytest.mark.parametrize("way", ["relay", *IN_NAMESPACES])
def test_large_replies_that_get_through_are_healthy(
    tmp_path: Path, way: str, lost: tuple[str, ...]
) -> None:
    """The twin. On the cable they travel in fragments; our own requests are small."""
    with behind(way, by_hostapd(tmp_path, way), *lost) as met:
        seen = sweep(tmp_path, met, "PEAP", "EAP-TTLS")
    for record in seen.records:
        assert record.served is not None
        assert list(record.served.chain) == fingerprints(*LONG)
        assert record.radius is not None
        assert (record.radius.largest_reply or 0) > LARGEST_WHOLE
        assert record.trials == ()
    assert (seen.result.status, seen.result.findings()) == (0, set())
    assert left_behind(seen.log) == []


# ---------------------------------------------------------------- loss of any packet


@pytest.mark.parametrize("way", ["request", "reply"])
def test_a_path_that_loses_every_other_packet_costs_time_and_nothing_else(
    tmp_path: Path, way: str
) -> None:
    """Each request is sent again, the same octets, and is answered once more: the rounds stay those
    of a sound path. The first reply gets through: another one would open another session."""

    def passes(on: str, number: int) -> bool:
        return on != way or number % 2 == (0 if way == "request" else 1)

    setup = Radius(keys(*RSA), tls=CURRENT)
    with hostapd(tmp_path / "hostapd", setup) as server, Tap(server.port, passes) as tap:
        lossy = sweep(tmp_path, Met(LOOPBACK, tap.port, server))
        sound = sweep(tmp_path, Met(LOOPBACK, server.port, server))
    assert [record.outcome for record in (*lossy.records, *sound.records)] == ["served"] * 2
    (first,), (second,) = lossy.records, sound.records
    assert first.round_trips == second.round_trips
    assert first.radius is not None
    rounds = first.round_trips or 0
    assert first.radius.transmissions == (2 * rounds if way == "request" else 2 * rounds - 1)
    assert lossy.result.findings() == set()
    assert len(sessions(sound.log)) == 2
    assert left_behind(sound.log) == []


# ---------------------------------------------------------------- another address


@pytest.mark.parametrize("way", ["loopback", *IN_NAMESPACES])
def test_a_reply_from_another_address_is_told_by_both(tmp_path: Path, way: str) -> None:
    """A server that binds every address replies from the one that its system prefers."""
    with at_two_addresses(way, by_hostapd(tmp_path, way)) as (usual, other):
        seen = sweep(tmp_path, other)
        healthy = sweep(tmp_path, usual)
    (record,) = seen.records
    assert record.outcome == "silent"
    (found,) = (trial for trial in record.trials if trial.kind == "unconnected")
    assert (found.outcome, found.replied_from) == ("served", usual.address)
    assert seen.result.findings() == {("eap-reply-elsewhere", "eap", ("quay1",), None)}
    finding = seen.finding("eap-reply-elsewhere")
    assert finding["verdict"] == "blocked"
    assert f"({usual.address} instead of {other.address})" in finding["says"]
    assert "access points drop such replies" in finding["says"]
    assert "quay1" in finding["remedy"]
    assert healthy.result.findings() == set()
    # Whoever hears no reply can't end what was begun. The retry that heard one did, and so did the
    # visit of the usual address.
    assert [one.completed for one in sessions(healthy.log)][-2:] == [True, True]


# ---------------------------------------------------------------- a balancer


@pytest.mark.parametrize("balancing", list(Balancing))
def test_a_balancer_before_two_servers(tmp_path: Path, balancing: Balancing) -> None:
    """hostapd and FreeRADIUS behind one address. By packet it breaks every conversation in its
    midst; by client each is carried through, whichever server it meets."""
    radius, setup = Radius(keys(*RSA), tls=CURRENT), Setup(keys(*RSA))
    with (
        hostapd(tmp_path / "hostapd", radius) as first,
        freeradius(tmp_path / "freeradius", setup) as second,
        relayed(first.port, second.port, balancing=balancing, address=VIRTUAL) as port,
    ):
        service = (
            f'[[service]]\nname = "{EXPECTED}"\nendpoint = "eap"\naddresses = ["{VIRTUAL}"]\n'
            f"port = {port}\n"
        )
        nodes = (
            node_table("quay1"),
            node_table("quay2", f"eap.port = {second.port}", address=OTHER),
        )
        plan = write_plan(tmp_path, eap_table(first.port, "PEAP"), LOST, service, *nodes)
        result, records = look(plan, command=("cluster",))
    outcomes = {record.asked.address: str(record.outcome) for record in records}
    assert (outcomes[LOOPBACK], outcomes[OTHER]) == ("served", "served")
    if balancing is Balancing.BY_CLIENT:
        assert outcomes[VIRTUAL] == "served"
        assert result.findings() == set()
        return
    assert {rule for rule, *_ in result.findings()} == {"eap-balancer-splits"}
    (finding,) = result.document["findings"]
    assert finding["nodes"] == ["quay1", "quay2"]
    assert "one conversation is spread over several nodes" in finding["says"]


# ---------------------------------------------------------------- silence


@pytest.mark.parametrize("way", ["loopback", *IN_NAMESPACES])
def test_a_server_that_does_not_know_this_machine_is_told_whom_to_register(
    tmp_path: Path, way: str
) -> None:
    radius = Radius(keys(*RSA), clients="127.0.0.9/32")

    def serve(enter: Sequence[str]) -> AbstractContextManager[Running]:
        return hostapd(tmp_path / "hostapd", radius, enter)

    with at_two_addresses(way, serve) as (met, _):
        seen = sweep(tmp_path, met)
    assert seen.result.findings() == {("eap-silent", "eap", ("quay1",), None)}
    finding = seen.finding("eap-silent")
    source = LOOPBACK if way == "loopback" else PROBE
    assert f"register {source} (this machine" in finding["remedy"]
    assert "with the shared secret that is in the file radius.secret" in finding["remedy"]
    assert "Status-Server: no answer" in told(finding)
    assert "a retry that takes replies from any address: no answer" in told(finding)
    assert sessions(seen.log) == ()


@pytest.mark.parametrize("knows", ["another client", "another secret"])
def test_freeradius_is_silent_to_whom_it_does_not_know_and_to_a_wrong_secret(
    tmp_path: Path, knows: str
) -> None:
    clients = "127.0.0.9/32" if knows == "another client" else NEIGHBOURS["loopback"]
    secret = "another-secret" if knows == "another secret" else SECRET
    setup = Setup(keys(*RSA), clients=clients, secret=secret)
    with freeradius(tmp_path / "freeradius", setup) as server:
        seen = sweep(tmp_path, Met(LOOPBACK, server.port, server))
    assert seen.result.findings() == {("eap-silent", "eap", ("quay1",), None)}
    assert outcomes(seen.records[0]) == {"status-server": "silent", "unconnected": "silent"}
    assert "register 127.0.0.1 (this machine" in seen.finding("eap-silent")["remedy"]


def test_a_server_that_answers_status_server_only_is_told_to_run_and_to_know_us(
    tmp_path: Path,
) -> None:
    """Its policy drops EAP: nothing is wrong with clients, secrets or the way."""
    with freeradius(tmp_path / "freeradius", Setup(keys(*RSA), policy=DROP)) as server:
        seen = sweep(tmp_path, Met(LOOPBACK, server.port, server))
    assert outcomes(seen.records[0])["status-server"] == "served"
    assert seen.result.findings() == {("eap-silent", "eap", ("quay1",), None)}
    finding = seen.finding("eap-silent")
    assert "though Status-Server is answered" in finding["says"]
    assert "the server runs, knows it and has its secret" in finding["remedy"]
    assert "register" not in finding["remedy"]


def outcomes(record: Handshake) -> dict[str, str]:
    """Return how each trial ended."""
    return {str(trial.kind): str(trial.outcome) for trial in record.trials}


def told(finding: dict[str, Any]) -> str:
    """Return a finding's evidence as one text."""
    return "; ".join(row["value"] for row in finding["evidence"])
