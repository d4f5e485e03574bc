"""The client families' data: complete, sourced, and with no words but published ones."""

import json
from pathlib import Path

import pytest

from probe.assessment import Basis, Does, Verdict
from probe.judge.catalogue import BY_ID, RULES
from probe.judge.clients.generate import FILE, written
from probe.judge.clients.reactions import BY_NAME, Known, on_site, react, worst
from probe.plan.model import FAMILIES, Audience, Setup
from probe.plan.rule_ids import RULE_IDS
from tests.judge.world import clients

WORDS = json.loads(
    (Path(__file__).parents[1] / "published" / "vectors" / "client_words.json").read_text("utf-8")
)

CERTIFICATE = {
    "self-signed",
    "unknown-root",
    "chain-incomplete",
    "expired",
    "not-yet-valid",
    "wrong-purpose",
    "path-invalid",
}


def test_what_is_read_is_what_the_families_files_say() -> None:
    assert FILE.read_text("utf-8") == written(), "python -m probe.judge.clients writes it anew"


@pytest.mark.parametrize("family", FAMILIES)
def test_every_family_is_known_to_react_to_every_certificate_fault(family: str) -> None:
    known = BY_NAME[family]
    setup = Setup.PROFILE if known.world == "eap" else None
    wanted = CERTIFICATE | (set() if known.world == "eap" else {"private-root", "name-mismatch"})
    assert {fault for fault in wanted if (fault, setup) not in known.reactions} == set()


@pytest.mark.parametrize("family", FAMILIES)
def test_every_word_is_a_published_one_of_that_family(family: str) -> None:
    """client_words.json: words with a published source only."""
    published = [
        row["words"]
        for row in WORDS["rows"]
        if family in WORDS["families"].get(row["family"], ()) and "published" in row["source"]
    ]
    said = {known.words for known in BY_NAME[family].reactions.values() if known.words}
    assert [words for words in said if not any(words in text for text in published)] == []


@pytest.mark.parametrize("family", FAMILIES)
def test_every_reaction_has_a_source(family: str) -> None:
    for known in BY_NAME[family].reactions.values():
        assert known.source
        if known.basis is Basis.MEMORY:
            assert known.words is None


@pytest.mark.parametrize(
    ("does", "basis", "verdict"),
    [
        (Does.REFUSES, Basis.PUBLISHED, Verdict.BLOCKED),
        (Does.REFUSES, Basis.MEASURED, Verdict.BLOCKED),
        (Does.WARNS, Basis.PUBLISHED, Verdict.WARNED),
        (Does.REFUSES, Basis.MEMORY, Verdict.ADVISED),
        (Does.WARNS, Basis.COMMON_PRACTICE, Verdict.ADVISED),
        (Does.CONTINUES, Basis.PUBLISHED, None),
    ],
)
def test_what_a_reaction_makes_of_a_finding(
    does: Does, basis: Basis, verdict: Verdict | None
) -> None:
    """Memory alone makes at most "advised"."""
    assert Known(does, None, "somewhere", basis).verdict is verdict


def test_the_worst_reaction_on_site_decides() -> None:
    both = clients("windows-eap", "apple-eap")
    assert worst(react(both, "unknown-root")) is Verdict.BLOCKED
    assert worst(react(clients("apple-eap"), "unknown-root")) is Verdict.WARNED
    assert worst(react((), "unknown-root")) is None


def test_setups_react_each_in_its_own_way() -> None:
    """RFC 9190, 2.2: what trusts on first use pins the leaf; a profile does not."""
    assert worst(react(clients("windows-eap"), "leaf-differs")) is None
    assert worst(react(clients(by_hand=("windows-eap",)), "leaf-differs")) is Verdict.WARNED


def test_clients_are_sorted_into_worlds() -> None:
    everybody = clients(*FAMILIES)
    assert [c.family for c in on_site(everybody, "node")] == ["node"]
    assert [c.family for c in on_site(everybody, "eap")] == [f for f in FAMILIES if "-eap" in f]


def test_captive_browsers_open_names_of_guests_only() -> None:
    assert BY_NAME["captive-web"].opens == {Audience.GUESTS}
    assert BY_NAME["chromium-web"].opens == {Audience.GUESTS, Audience.STAFF}


BESIDES = {"private-root", "purpose-absent", "issuer-not-named"}
"""What is asked of clients by the rule of another objection: a root that is no anchor of theirs, a
purpose that is not there, a missing issuer that no address leads to."""


def test_every_objection_of_the_data_is_asked_by_a_rule() -> None:
    """A slip of the pen in the data would be a client that never minds."""
    asked = {objection for rule in RULES for objection in rule.objections} | BESIDES
    for family in BY_NAME.values():
        assert {objection for objection, _ in family.reactions} <= asked, family.name


def test_the_catalogue_is_part_of_the_closed_list_and_in_its_order() -> None:
    assert set(BY_ID) <= set(RULE_IDS)
    assert [rule.id for rule in RULES] == [rule_id for rule_id in RULE_IDS if rule_id in BY_ID]


def test_every_rule_that_clients_decide_says_what_they_object_to() -> None:
    """And so that somebody is known to: `probe rules` tells who."""
    for rule in RULES:
        known = {
            objection
            for family in BY_NAME.values()
            if family.world in rule.worlds
            for objection, _ in family.reactions
        }
        if rule.by_clients and rule.floor is not None:
            assert set(rule.objections) & known, rule.id
        assert rule.by_clients or not rule.objections, rule.id


def test_every_rule_explains_itself() -> None:
    for rule in RULES:
        assert rule.title, rule.id
        assert rule.meaning.endswith("."), rule.id
        assert rule.remedy.endswith("."), rule.id
        assert rule.source, rule.id
