"""Servers that have lost their way, or mean harm: one outcome each, whose end nobody waits out.

The lab's octets are raw (`lab/unruly.py`), but what carries them is the codec that reads them: what
is proven of the codec itself stands in `tests/wire/`.
"""

import msgspec
import pytest

from lab.cluster import Cluster
from lab.eapsettings import EapSettings
from lab.eapsite import EapFault
from lab.scenario import Node, Scenario
from tests.running import Result, probe

QUICK = {
    "radius_first_wait": 0.3,
    "radius_longest_wait": 0.6,
    "radius_silence": 1.5,
    "trial_wait": 0.4,
    "trial_silence": 1.0,
    "failed_authentications_per_minute": 6_000,
}
ENDS = {
    EapFault.RADIUS_LENGTH: {"malformed"},
    EapFault.OVERRUN: {"malformed"},
    EapFault.OVERSIZE: {"malformed"},
    # Somebody else's replies are passed over, so nothing has come.
    EapFault.OTHER_IDENTIFIER: {"silent"},
    # The first visit of all gets a good reply to its first request; others never get one.
    EapFault.REPLAY: {"cut-off", "silent"},
    EapFault.FLOOD: {"malformed"},
    EapFault.EAP_LENGTH: {"malformed"},
    EapFault.SAME_IDENTIFIER: {"malformed"},
    EapFault.ENDLESS_FRAGMENTS: {"malformed"},
    EapFault.EMPTY_FRAGMENTS: {"malformed"},
    EapFault.ALTERNATING: {"malformed"},
    EapFault.RESTARTS: {"malformed"},
    EapFault.OTHER_METHOD: {"malformed"},
    EapFault.BROKEN_HELLO: {"malformed"},
    EapFault.NAKS: {"malformed"},
    EapFault.PROPOSALS: {"method-refused"},
    EapFault.IDENTITIES: {"cut-off"},
    EapFault.NOTIFICATIONS: {"cut-off"},
}
"""How a visit may end, with each of the faults that `unruly.py` is for."""
ORDINARY = {
    EapFault.CLOSED,
    EapFault.SILENT,
    EapFault.DROPS,
    EapFault.OTHER_SECRET,
    EapFault.GARBAGE,
    EapFault.REJECTS,
    EapFault.ALERT,
    EapFault.REJECTS_HELLO,
    EapFault.CUT_OFF,
    EapFault.NOT_TLS,
    EapFault.OTHER_KEY,
    EapFault.MALFORMED,
}
"""Each of these has a scenario."""


@pytest.fixture(scope="module")
def visited(tmp_path_factory: pytest.TempPathFactory) -> Result:
    """Visit a cluster with one node for each fault, and one good one."""
    scenario = Scenario.load("healthy-cluster")
    good = scenario.node["quay1"]
    nodes = {fault.value: told(good, fault) for fault in ENDS}
    changed = msgspec.structs.replace(
        scenario,
        nodes=("quay1", *nodes),
        node={"quay1": good, **nodes},
        plan={**scenario.plan, "limits": QUICK},
    )
    with Cluster(changed, directory=tmp_path_factory.mktemp("unruly")) as lab:
        return probe(lab.plan_path, "--only", "eap")


def told(node: Node, fault: EapFault) -> Node:
    eap = EapSettings(chains=(("eap", "northpier-issuing"),), fault=fault)
    return msgspec.structs.replace(node, host=f"{fault.value}.northpier.example", eap=eap)


@pytest.mark.parametrize("fault", ENDS)
def test_an_unruly_server_ends_visits_in_one_way(visited: Result, fault: EapFault) -> None:
    entries = [
        entry for entry in visited.endpoints("eap") if entry["id"].startswith(f"eap/{fault.value}/")
    ]
    ends = {entry["outcome"] for entry in entries}
    assert ends == ENDS[fault]
    # It was not the bound of time that ended them.
    assert not any("given up after 30 s" in (entry["detail"] or "") for entry in entries)
    assert any(fault.value in finding["nodes"] for finding in visited.document["findings"])


def test_the_others_are_seen_all_the_same(visited: Result) -> None:
    (good,) = [node for node in visited.document["nodes"] if node["name"] == "quay1"]
    assert good["verdict"] == "sound"
    assert {entry["outcome"] for entry in good["endpoints"]} == {"served"}


def test_no_fault_is_left_out() -> None:
    assert set(ENDS) | ORDINARY == set(EapFault)
