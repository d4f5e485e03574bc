"""Bundles before an import: the screen as it was read, and the document."""

import json
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from probe.assessment import Basis, Does, Felt, Finding, Headline, Note, Reaction, Verdict
from probe.bundle import (
    Authority,
    Coverage,
    Entries,
    Judged,
    Key,
    Offered,
    Origin,
    SameKey,
    World,
)
from probe.certificate.container import Container, Kind, Problem, Trouble
from probe.observation.model import Endpoint
from probe.records import replace
from probe.report.bundle_document import bundle_to_json
from probe.report.schema.generate import path
from probe.report.terminal import render_bundle
from tests.report.build import EAP_LEAF, WEB_CA, WEB_LEAF, der, healthy, sha
from tests.report.hostile import HOSTILE, LONG, poisoned

SCREENS = Path(__file__).parent / "screens"
NODES = ("quay1", "quay2", "quay3", "quay4")
ONBOARD = "onboard.northpier.example"

UNCOVERED = Finding(
    id="bundle-name-uncovered-0123456789ab",
    rule="bundle-name-uncovered",
    verdict=Verdict.WARNED,
    endpoint=Endpoint.BUNDLE,
    nodes=NODES,
    name=ONBOARD,
    addresses=(),
    certificates=(WEB_LEAF.sha256,),
    clients=("chromium-web",),
    reactions=(Reaction("chromium-web", None, Does.WARNS, "NET::ERR_CERT_COMMON_NAME_INVALID"),),
    due=None,
    folded=(),
    accepted=None,
    says=f'The certificate "guest.northpier.example" does not cover {ONBOARD}.',
    evidence=(),
    remedy=f"Have it issued again with {ONBOARD} among its names.",
    source="RFC 9525, 6",
    basis=Basis.PUBLISHED,
)
OLD = replace(
    UNCOVERED,
    id="bundle-old-encryption-0123456789ab",
    rule="bundle-old-encryption",
    verdict=Verdict.ADVISED,
    nodes=(),
    name=None,
    certificates=(),
    clients=(),
    reactions=(),
    says="guest.p12 is protected with pbeWithSHAAnd40BitRC2-CBC, which is deprecated.",
    remedy="Write the bundle again with AES-256 and SHA-256.",
    source="RFC 7292, B; RFC 8018, 6",
)


def made() -> Judged:
    assessment = replace(
        healthy(),
        verdict=Verdict.WARNED,
        findings=(UNCOVERED, OLD),
        notes=(
            Note(
                "bundle-chain-incomplete",
                Endpoint.BUNDLE,
                (),
                None,
                "The files hold certificates that do not belong to the chain:"
                ' "radius.northpier.example".',
                "RFC 5216, 5.3",
            ),
        ),
        headline=Headline(
            felt=(
                Felt(
                    Verdict.WARNED,
                    Endpoint.BUNDLE,
                    ("chromium-web",),
                    NODES,
                    (ONBOARD,),
                    (UNCOVERED.id,),
                ),
            ),
            first=UNCOVERED.id,
        ),
    )
    root = "Harbour Public Root"
    return Judged(
        planned=True,
        plan_nodes=NODES,
        offered=Offered(
            containers=(
                Container(
                    "guest.p12",
                    Kind.PKCS12,
                    ("pbeWithSHAAnd40BitRC2-CBC", "PBES2 with AES-256-CBC"),
                    "HMAC-SHA-1",
                    2_048,
                    ("pbeWithSHAAnd40BitRC2-CBC",),
                    (),
                ),
                Container("notes.txt", None, (), None, None, (), ()),
            ),
            problems=(Problem("notes.txt", Trouble.NOT_A_BUNDLE, "is neither PEM nor DER"),),
            chain=(der("guest.northpier.example"), der("Harbour Public CA 3")),
            surplus=(der("radius.northpier.example"),),
            keys=("P-256",),
            fits=True,
        ),
        assessment=assessment,
        worlds=(
            World(Endpoint.WEB, True, "it covers a name of this endpoint"),
            World(Endpoint.EAP, False, "it covers no name of this endpoint"),
        ),
        nodes=NODES,
        nodes_why=None,
        coverage=(
            Coverage(
                Endpoint.WEB,
                "guest.northpier.example",
                NODES,
                True,
                True,
                "guest.northpier.example",
                "it is an entry",
            ),
            Coverage(Endpoint.WEB, ONBOARD, NODES, True, False, None, "no entry covers it"),
            Coverage(
                Endpoint.EAP, "radius.northpier.example", NODES, False, False, None, "no entry"
            ),
        ),
        entries=Entries(("guest.northpier.example", ONBOARD), ("*.northpier.example",)),
        authorities=(
            Authority(
                WEB_CA.subject, WEB_CA.sha256, "a1b2c3d4" * 5, False, Origin.BUNDLE, trusted=False
            ),
            Authority(f"CN={root}", None, None, True, Origin.NOWHERE, trusted=False),
        ),
        key=Key(
            kind="P-256",
            reused=True,
            known_from="the history",
            served=(SameKey(WEB_LEAF.sha256, Endpoint.WEB, ("quay1",)),),
            asked_again=("apple-eap",),
            says=("The key is used again.",),
        ),
        to_serve=(der("guest.northpier.example"), der("Harbour Public CA 3")),
        certificates={
            sha(name): der(name)
            for name in (
                "guest.northpier.example",
                "Harbour Public CA 3",
                "radius.northpier.example",
            )
        },
        facts={one.sha256: one for one in (WEB_LEAF, WEB_CA, EAP_LEAF)},
        public={one.sha256: "unknown" for one in (WEB_LEAF, WEB_CA, EAP_LEAF)},
    )


def test_the_screen_is_what_it_was_when_it_was_read() -> None:
    assert render_bundle(made()) == (SCREENS / "bundle-80.txt").read_text("utf-8")


@pytest.mark.parametrize("width", [40, 60, 80, 120])
def test_no_line_is_wider_than_the_terminal(width: int) -> None:
    assert max(len(line) for line in render_bundle(made(), width=width).splitlines()) <= width


def test_what_fits_both_endpoints_alike_says_how_to_decide() -> None:
    both = tuple(replace(world, meant=True) for world in made().worlds)
    assert "it fits both alike; --for decides" in render_bundle(replace(made(), worlds=both))
    assert "alike" not in render_bundle(made())


def test_the_document_has_the_keys_that_its_schema_promises() -> None:
    document = json.loads(bundle_to_json(made()))
    schema = json.loads(path("probe-bundle/1").read_text("utf-8"))
    Draft202012Validator(schema).validate(document)
    assert " ".join(document) == (
        "format tool catalogue plan roots judged_at verdict files request leaf chain in_order"
        " others surplus key meant_for nodes nodes_why coverage would_cover authorities"
        " certificates findings notes"
    )
    assert document["leaf"] == document["chain"][0] == WEB_LEAF.sha256
    assert document["files"][1]["problems"] == [
        {"trouble": "not-a-bundle", "says": "is neither PEM nor DER"}
    ]
    assert document["authorities"][1] == {
        "subject": "CN=Harbour Public Root",
        "certificate": None,
        "sha1": None,
        "root": True,
        "from": "nowhere",
        "trusted": False,
    }


@pytest.mark.parametrize("text", [HOSTILE, LONG])
@pytest.mark.parametrize("form", [render_bundle, bundle_to_json])
def test_text_off_the_wire_stays_visible_and_is_no_control(form: Any, text: str) -> None:
    hostile = poisoned(made(), text, spare=frozenset({"sha256"}))
    kept = {one.sha256: one for one in hostile.facts.values()}
    hostile = replace(
        hostile,
        facts=kept,
        public=dict.fromkeys(kept, "unknown"),
        certificates=made().certificates,
        authorities=tuple(
            replace(one, certificate=None if one.certificate is None else WEB_CA.sha256)
            for one in hostile.authorities
        ),
    )
    shown = form(hostile)
    assert not {"\x1b", "\x9b", "\u202e", "\u200b"} & set(shown)
