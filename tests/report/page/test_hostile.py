"""Whatever a peer, a plan or a survey may hold: on the page it is text, short and visible."""

import re
import unicodedata

import pytest

from probe.assessment import (
    Assessment,
    EapLook,
    Expectation,
    ExpectedAt,
    MethodSeen,
    RadsecLook,
    Stage,
)
from probe.observation.model import Endpoint
from probe.records import replace
from probe.report.render import render
from tests.report import build
from tests.report.hostile import HOSTILE, LONG, poisoned
from tests.report.page.many import incomplete
from tests.report.page.reading import read

MARKUP = "<script>alert(1)</script><img src=x onerror=alert(2)>'\"></style></pre>&lt;<!--"
TOKENS = frozenset({"sha256", "id", "certificate", "certificates", "observation", "findings"})
"""Fields that refer to each other; a text after them would leave nothing on the page."""


def everything() -> Assessment:
    """Every part of a page at once."""
    look = EapLook(
        ("quay1",),
        "radius.northpier.example",
        "192.0.2.11",
        1812,
        ("PEAP",),
        (MethodSeen("PEAP", "served", 5, 1024),),
        ("TLSv1.2",),
        ("TLSv1.0",),
        (),
        2,
        True,
        ("CN=x",),
    )
    radsec = RadsecLook(
        ("quay1",),
        "192.0.2.11",
        2083,
        True,
        ("CN=Peers",),
        "radius/1.0",
        ("TLSv1.3",),
        (),
        None,
        None,
        None,
        None,
        None,
    )
    expected = Expectation(
        "guest.northpier.example",
        build.WEB_LEAF.sha256,
        build.AT,
        True,
        (ExpectedAt("quay1", Endpoint.WEB, Stage.NOT_SERVED, ()),),
    )
    gap = incomplete("http://pki.northpier.example/ca3.cer")
    return replace(
        build.troubled(),
        served=(*build.troubled().served, gap.served[0]),
        fetched_from=gap.fetched_from,
        eap_looks=(look,),
        radsec_looks=(radsec,),
        expected=(expected,),
    )


@pytest.mark.parametrize("text", [HOSTILE, MARKUP, LONG, "\u202e\u2066\u0590\u05d0\x00\x1b[31m"])
def test_hostile_texts_alter_neither_the_document_nor_the_reading_order(text: str) -> None:
    plain, spoiled = (poisoned(everything(), each, spare=TOKENS) for each in ("q", text))
    page = render(spoiled, "page", in_depth=True)
    for character in page:
        assert character == "\n" or unicodedata.category(character) not in {"Cc", "Cf", "Cs", "Co"}
    # The same elements in the same order: nothing was opened or closed by a text.
    shape = [one.tag for one in read(render(plain, "page", in_depth=True)).all()]
    assert [one.tag for one in read(page).all()] == shape
    assert len(re.findall("<script>", page)) == 1
    assert "onerror" not in {name for one in read(page).all() for name in one.attributes}


def test_a_certificate_named_script_stays_text() -> None:
    named = replace(build.WEB_LEAF, common_name="<script>alert('quay')</script>", names=())
    sound = build.healthy()
    page = read(render(replace(sound, facts=sound.facts | {named.sha256: named}), "page"))
    assert page.by_id(f"cert-{named.sha256}").one("h3").text == "<script>alert('quay')</script>"
    assert len(page.all("script")) == 1


def test_a_long_name_is_cut_and_says_how_long_it_was() -> None:
    named = replace(build.WEB_LEAF, common_name="W" * 10_000, names=())
    sound = build.healthy()
    page = read(render(replace(sound, facts=sound.facts | {named.sha256: named}), "page"))
    title = page.by_id(f"cert-{named.sha256}").one("h3").text
    assert title == "W" * 320 + "... (10000 characters in all)"


def test_what_cannot_be_read_of_a_certificate_is_said() -> None:
    broken = replace(
        build.WEB_LEAF,
        readable=False,
        subject="",
        issuer="",
        serial="",
        names=(),
        common_name=None,
        not_before=None,
        not_after=None,
        key="unknown",
        signature="unknown",
        oddities=("no certificate: 3 octets",),
    )
    sound = build.healthy()
    page = read(render(replace(sound, facts=sound.facts | {broken.sha256: broken}), "page"))
    told = page.by_id(f"cert-{broken.sha256}").text
    assert "Subject(empty)" in told.replace(" ", "")
    assert "unknown to unknown" in told
    assert "no certificate: 3 octets" in told
