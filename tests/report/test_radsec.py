"""The closer look at RadSec on the screen: literal looks, the whole lines."""

import pytest

from probe.assessment import MethodSeen, RadsecLook
from probe.records import replace
from probe.report.terminal import render
from tests.report.build import healthy
from tests.report.hostile import HOSTILE

FULL = RadsecLook(
    nodes=("quay1",),
    address="192.0.2.11",
    port=2083,
    certificate_asked=True,
    client_authorities=("CN=Northpier Device CA",),
    alpn="radius/1.0",
    versions=("TLSv1.3",),
    versions_refused=("TLSv1", "TLSv1.1"),
    inside="served",
    status_reply="Access-Accept",
    eap=MethodSeen("PEAP", "served", 4, 1395),
    eap_leaf="ab" * 32,
    eap_elsewhere=True,
)
HEADING = "A closer look at RadSec"


def shown(look: RadsecLook) -> str:
    return render(replace(healthy(), radsec_looks=(look,)))


def test_everything_that_was_seen() -> None:
    text = shown(FULL)
    start = text.index(HEADING)
    lines = [" ".join(line.split()) for line in text[start:].splitlines()[:10]]
    assert lines == [
        HEADING,
        "RadSec at quay1, 192.0.2.11 port 2083",
        "agrees to TLS 1.3; refuses TLS 1.0 and TLS 1.1; TLS 1.2 was not tried",
        "alone",
        'from peers certificates of "CN=Northpier Device CA"',
        "protocol radius/1.0",
        "inside Access-Accept to Status-Server",
        "PEAP inside, the certificate after 4 round trips",
        "fragments of up to 1395 octets of TLS",
        "EAP behind certificate abababababababab, as for EAP by UDP",
    ]


@pytest.mark.parametrize(
    ("change", "line"),
    [
        (
            {"versions": ("TLSv1.1", "TLSv1.2"), "versions_refused": ("TLSv1",)},
            "agrees to TLS 1.1 and TLS 1.2; refuses TLS 1.0",
        ),
        (
            {"versions": (), "versions_refused": ("TLSv1.2", "TLSv1.3")},
            "agrees to nothing that was asked for; refuses TLS 1.2 and TLS 1.3",
        ),
        ({"certificate_asked": False}, "from peers no certificate is asked for"),
        ({"client_authorities": ()}, "from peers certificates of any CA"),
        ({"status_reply": None}, "inside Status-Server is not answered"),
        (
            {"status_reply": None, "inside": "refused"},
            "inside the plan's certificate is refused",
        ),
        ({"status_reply": None, "inside": "silent"}, "inside nothing comes back"),
        ({"eap_elsewhere": False}, "which EAP by UDP does not"),
    ],
)
def test_what_else_may_be_seen(change: dict[str, object], line: str) -> None:
    text = shown(replace(FULL, **change))  # type: ignore[arg-type]  # fields by name
    assert line in " ".join(text.split())


def test_without_a_closer_look_nothing_is_said() -> None:
    assert HEADING not in render(healthy())


def test_of_an_address_that_showed_nothing_nothing_is_said() -> None:
    nothing = {"certificate_asked": None, "client_authorities": None, "alpn": None, "inside": None}
    behind = {"status_reply": None, "eap": None, "eap_leaf": None, "eap_elsewhere": None}
    look = replace(FULL, versions=(), versions_refused=(), **nothing, **behind)  # type: ignore[arg-type]  # fields by name
    assert HEADING not in shown(look)


def test_text_off_the_wire_is_escaped() -> None:
    text = shown(replace(FULL, alpn=HOSTILE, status_reply=HOSTILE, client_authorities=(HOSTILE,)))
    assert HOSTILE not in text
    assert "\x1b" not in text
