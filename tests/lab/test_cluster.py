"""A cluster's life: it starts, it leaves nothing behind, and it does not hide its own bugs."""

import os
import socket
import stat
import threading
from contextlib import ExitStack
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from lab import nameserver, radiusserver, webserver
from lab.cluster import Cluster, LabCrash
from lab.places import NoPlace, Ports
from lab.scenario import Scenario, known
from probe.plan.read import load_plan
from tests.lab.supplicant import Supplicant
from tests.lab.test_nameserver import ask

OPEN_FILES = Path("/proc/self/fd")
REFERENCE = datetime(2027, 3, 14, 9, 26, 53, tzinfo=UTC)


@pytest.mark.parametrize("single_address", [False, True])
@pytest.mark.parametrize("name", known())
def test_every_scenario_starts_and_its_plan_is_good(
    tmp_path: Path, name: str, *, single_address: bool
) -> None:
    scenario = Scenario.load(name)
    with Cluster(scenario, directory=tmp_path, single_address=single_address) as lab:
        plan = load_plan(lab.plan_path)
        assert tuple(node.name for node in plan.nodes) == lab.names
        addresses = {lab.web_place(node)[0] for node in lab.names}
    assert len(addresses) == (1 if single_address else len(lab.names))
    assert all(address.startswith("127.") for address in addresses)


@pytest.mark.skipif(not OPEN_FILES.is_dir(), reason="counts open files in /proc")
def test_nothing_is_left_behind(tmp_path: Path) -> None:
    def left() -> tuple[int, int]:
        return threading.active_count(), len(os.listdir(OPEN_FILES))

    before = left()
    with Cluster(Scenario.load("web-closed"), directory=tmp_path) as lab:
        ask(lab, "quay1.northpier.example")
        # A connection that is still open when the lab ends.
        connection = socket.create_connection(lab.web_place("quay1"), timeout=5)
        place = lab.web_place("quay1")
    connection.close()
    assert left() == before
    with socket.socket() as free:
        free.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        free.bind(place)


def test_two_clusters_at_a_time_do_not_meet(tmp_path: Path) -> None:
    with ExitStack() as stack:
        labs = [
            stack.enter_context(
                Cluster(Scenario.load("healthy-cluster"), directory=tmp_path / str(number))
            )
            for number in range(4)
        ]
        assert len({lab.web_place("quay1") for lab in labs}) == 4
        for lab in labs:
            (record,) = ask(lab, "quay1.northpier.example").answer[0]
            assert str(record) == lab.web_place("quay1")[0]


def test_eap_can_have_an_interface_of_its_own(tmp_path: Path) -> None:
    with Cluster(Scenario.load("healthy-two-interfaces"), directory=tmp_path) as lab:
        node = load_plan(lab.plan_path).node("quay2")
        web, eap = lab.web_place("quay2")[0], lab.eap_place("quay2")[0]
    assert web != eap
    assert (node.web_addresses(), node.eap_addresses()) == ((web,), (eap,))


def test_dates_count_from_the_reference_time(tmp_path: Path) -> None:
    with Cluster(Scenario.load("web-expiring"), directory=tmp_path, at=REFERENCE) as lab:
        leaf = lab.issued("web-ending").certificate
    assert leaf.not_valid_after_utc == REFERENCE + timedelta(days=12)
    assert leaf.not_valid_before_utc == REFERENCE - timedelta(days=163)


def test_secret_and_keys_are_the_owner_s_alone(tmp_path: Path) -> None:
    with Cluster(Scenario.load("healthy-cluster"), directory=tmp_path) as lab:
        (chain,) = lab.eap_chains("quay1")
        for path in (tmp_path / "radius.secret", chain.key_file):
            assert stat.S_IMODE(path.stat().st_mode) == 0o600


def crash(*_: object, **__: object) -> None:
    raise ZeroDivisionError("a bug in the lab")


def crashed(lab: Cluster) -> BaseException | None:
    """Wait until the lab says that it is over; return what its end raises as the cause."""
    assert lab.over.wait(10)
    with pytest.raises(LabCrash, match="a bug in the lab") as caught:
        lab.stop()
    return caught.value.__cause__


def test_a_server_that_crashes_is_loud(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(nameserver.NameServer, "answer", crash)
    with Cluster(Scenario.load("healthy-cluster"), directory=tmp_path) as lab:
        address, port = lab.resolvers[0].rsplit(":", 1)
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as plain:
            plain.sendto(b"any question", (address, int(port)))
        assert isinstance(crashed(lab), ZeroDivisionError)


def test_a_crash_in_a_connection_is_loud(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(webserver._Visit, "data_received", crash)
    with (
        Cluster(Scenario.load("healthy-cluster"), directory=tmp_path) as lab,
        socket.create_connection(lab.web_place("quay1"), timeout=5) as connection,
    ):
        connection.sendall(b"any hello")
        assert isinstance(crashed(lab), ZeroDivisionError)


def test_leaving_the_block_raises_what_crashed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(radiusserver.RadiusServer, "answer", crash)
    cluster = Cluster(Scenario.load("healthy-cluster"), directory=tmp_path)
    cluster.__enter__()
    with (
        Supplicant(cluster.eap_place("quay1"), cluster.secret, patience=0.3) as supplicant,
        pytest.raises(TimeoutError),
    ):
        supplicant.identify()
    with pytest.raises(LabCrash, match="a bug in the lab"):
        cluster.__exit__(None, None, None)


def test_a_server_that_cannot_start_is_loud_and_leaves_no_thread(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def crash_at_start(*_: object) -> None:
        crash()

    monkeypatch.setattr(webserver.WebServer, "start", crash_at_start)
    before = threading.active_count()
    with pytest.raises(LabCrash, match="a bug in the lab"):
        Cluster(Scenario.load("healthy-cluster"), directory=tmp_path).__enter__()
    assert threading.active_count() == before


def test_a_port_in_use_is_one_clear_message(tmp_path: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("0.0.0.0", 0))  # noqa: S104  # on purpose: on all addresses
        taken.listen()
        port = taken.getsockname()[1]
        cluster = Cluster(
            Scenario.load("healthy-cluster"), directory=tmp_path, ports=Ports(web=port)
        )
        with pytest.raises(NoPlace, match=rf"port {port} over TCP: Address already in use"):
            cluster.__enter__()
