"""However a visit ends, hostapd has removed its session as completed: none is left to time out."""

import json
import signal
import subprocess
import threading
from pathlib import Path

import pytest

from tests.peers.freeradius import Setup, freeradius, talks
from tests.peers.hostapd import CURRENT, EVERY_VERSION, Radius, hostapd, left_behind, sessions
from tests.peers.looking import LIMITS, METHODS, QUICK, look, look_at_hostapd
from tests.peers.pki import ECDSA, LONG, RSA, keys
from tests.peers.plans import eap_table, node_table, write_plan
from tests.peers.ways import Tap
from tests.running import PROBE, WITHIN

VISITS = (
    '[[eap.visit]]\nname = "dock"\nmedium = "wired"\n[[eap.visit]]\nname = "ferry"\nssid = "F"\n'
)


@pytest.mark.parametrize(("labels", "tls"), [(RSA, "TLSv1.2"), (LONG, "TLSv1.3")])
def test_after_a_sweep(tmp_path: Path, labels: tuple[str, ...], tls: str) -> None:
    """Two conversations, at a time."""
    setup = Radius(keys(*labels), tls=(tls,), fragment_size=576)
    seen = look_at_hostapd(tmp_path, setup, more=LIMITS, command=("cluster",))
    assert len(sessions(seen.log)) == len(seen.records) == 2
    assert left_behind(seen.log) == []


def test_after_a_look_in_depth_with_visits_of_the_plan_and_an_unsigned_start(
    tmp_path: Path,
) -> None:
    """Two at a time, and every kind of question. The unsigned one hostapd drops."""
    setup = Radius(keys(*RSA), second=keys(*ECDSA), tls=EVERY_VERSION, fragment_size=300)
    more = VISITS + LIMITS + QUICK
    seen = look_at_hostapd(tmp_path, setup, "--unsigned", "--repeat", "6", more=more)
    kinds = {str(record.asked.aspect) for record in seen.records}
    assert kinds == {"None", "family", "old-version", "again", "unsigned"}
    assert seen.record("unsigned").outcome == "silent"
    assert len(sessions(seen.log)) == len(seen.records) - 1 == 3 + 2 + 4 + 2 + 5
    assert left_behind(seen.log) == []
    assert seen.result.findings() == set()


def test_after_a_wider_offer(tmp_path: Path) -> None:
    """A sweep by one method tries again where its hello is refused."""
    seen = look_at_hostapd(
        tmp_path,
        Radius(keys(*RSA), tls=("TLSv1.1",)),
        methods=("PEAP",),
        more=LIMITS,
        command=("cluster",),
    )
    (record,) = seen.records
    (trial,) = record.trials
    assert (record.outcome, trial.kind, trial.outcome) == ("refused", "wider-offer", "served")
    assert str(trial.detail).startswith("TLSv1.1: the chain came after ")
    assert {rule for rule, *_ in seen.result.findings()} == {"eap-old-tls"}
    assert len(sessions(seen.log)) == 2
    assert left_behind(seen.log) == []


@pytest.mark.parametrize("users", ["MD5", "FAST"])
def test_after_methods_that_are_refused(tmp_path: Path, users: str) -> None:
    setup = Radius(keys(*RSA), users=f"* {users}", fast=users == "FAST")
    seen = look_at_hostapd(tmp_path, setup, more=LIMITS)
    assert "method-refused" in {record.outcome for record in seen.records}
    assert sessions(seen.log) != ()
    assert left_behind(seen.log) == []


# ---------------------------------------------------------------- left in the middle


@pytest.mark.parametrize(
    ("peer", "number"), [("hostapd", 1), ("hostapd", 2), ("hostapd", 4), ("freeradius", 4)]
)
def test_after_an_interrupt(tmp_path: Path, peer: str, number: int) -> None:
    """It comes while the server's first, second or fourth reply is on its way: at the identity, at
    the hello, in the midst of the flight."""
    running: list[subprocess.Popen[str]] = []
    started, once = threading.Event(), threading.Event()

    def passes(way: str, count: int) -> bool:
        if way == "reply" and count == number and not once.is_set():
            once.set()
            started.wait(WITHIN)
            running[0].send_signal(signal.SIGINT)
        return True

    if peer == "hostapd":
        serving = hostapd(tmp_path / peer, Radius(keys(*LONG), tls=CURRENT, fragment_size=576))
    else:
        serving = freeradius(tmp_path / peer, Setup(keys(*LONG), fragment_size=600))
    with serving as server, Tap(server.port, passes) as tap:
        plan = write_plan(tmp_path, eap_table(tap.port, *METHODS), LIMITS, node_table())
        with subprocess.Popen(
            [PROBE, "node", "quay1", plan, "--only", "eap", "--format", "json"],
            env={"PATH": "", "HOME": str(tmp_path)},
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            encoding="utf-8",
        ) as process:
            running.append(process)
            started.set()
            out, err = process.communicate(timeout=WITHIN)
        log = server.logged()
    assert process.returncode == 130, err
    assert json.loads(out)["interrupted"] is True
    if peer == "hostapd":
        assert 1 <= len(sessions(log)) <= 2
        assert left_behind(log) == []
    else:
        assert 1 <= len(talks(log)) <= 2
        assert all(talked.over for talked in talks(log))


def test_after_a_visit_that_has_no_more_time(tmp_path: Path) -> None:
    """The third reply takes longer than the visit may."""
    late = threading.Event()

    def passes(way: str, count: int) -> bool:
        if way == "reply" and count == 3:
            late.wait(1.2)  # nobody sets it: a path as slow as that
        return True

    limits = f"{LIMITS}eap_visit = 1.0\nradius_first_wait = 5.0\neap_farewell_wait = 2.0\n"
    with (
        hostapd(tmp_path / "hostapd", Radius(keys(*LONG), fragment_size=576)) as server,
        Tap(server.port, passes) as tap,
    ):
        plan = write_plan(tmp_path, eap_table(tap.port, "PEAP"), limits, node_table())
        result, (record,) = look(plan, command=("cluster",))
        log = server.logged()
    assert (record.outcome, record.detail) == ("cut-off", "given up after 1 s")
    assert left_behind(log) == []
    assert len(sessions(log)) == 1
    assert {rule for rule, *_ in result.findings()} == {"eap-refused"}
