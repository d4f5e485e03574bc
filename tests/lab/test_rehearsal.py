"""Roll-outs that are rehearsed, and then done: at each step the nodes give what was foretold.

The certificates really change hands in the lab, node by node, and after each a plain sweep is held
against the step: every finding with its rule, its nodes and the clients that feel it. What clients
come to is written down by hand besides, from the catalogue and the client data.
"""

import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from lab.cluster import Cluster
from lab.scenario import Scenario
from probe.cli.main import main
from probe.report.schema.generate import path as schema_path
from tests.lab.test_findings import DAY

NODES = ("quay1", "quay2", "quay3")

WEB = (("guest", "public-issuing"),)
EAP = (("eap", "northpier-issuing"),)

Chains = tuple[tuple[str, ...], ...]
Step = set[tuple[str, tuple[str, ...], tuple[str, ...]]]


@dataclass(frozen=True)
class Case:
    """One roll-out."""

    endpoint: str
    new: tuple[str, ...]
    """Labels of the chain that is imported."""
    left: Chains = ()
    """What each node goes on to serve beside it."""
    before: Chains = ()
    """What all nodes serve at the beginning; nothing: one chain, of an RSA key."""
    apart: dict[str, Chains] = field(default_factory=dict)
    """What single nodes serve instead."""
    done: tuple[str, ...] = ()
    """Nodes that have the new certificate at the beginning."""
    order: tuple[str, ...] = NODES
    closely: bool = False
    """Whether it shows to those alone who ask for each kind of key, as a rehearsal does."""
    android_by_hand: bool = False
    """Whether such phones are on site too."""
    eap_roots: tuple[str, ...] = ()
    """Further roots that supplicants have."""
    options: tuple[str, ...] = ()
    brings: dict[str, set[str]] = field(default_factory=dict)
    """By what they feel in the end: clients, "family" or "family by hand"; none: it works."""
    between: set[str] = field(default_factory=set)
    """Rules that are found on the way alone."""
    after: set[str] = field(default_factory=set)
    """Rules that are found in the end and not today."""
    advice: list[list[str]] = field(default_factory=list)
    left_behind: set[str] = field(default_factory=set)


ISSUED = ("northpier-issuing",)

ASKED = {"asked": {"windows-eap by hand", "apple-eap by hand"}}
"""Who pins the server's own certificate; what Linux does is known from memory, and is nothing."""

STRANGE = ASKED | {"blocked": {"windows-eap", "android-eap", "linux-eap"}, "warned": {"apple-eap"}}
"""What a profile with root and name comes to where one of both is another."""

SUPPLICANTS = {"windows-eap", "apple-eap", "android-eap", "linux-eap"}
BROWSERS = {"chromium-web", "firefox-web", "apple-web"}

HALF_RENEWED = {"eap-half-renewed"}
PINNED = {"dns-tlsa-mismatch"}
"""Every new key of the web: the present one stands in DNS."""

CASES: dict[str, Case] = {
    "eap-renewed": Case("eap", ("eap-new", *ISSUED), brings=ASKED, between=HALF_RENEWED),
    "eap-renewed-android-by-hand": Case(
        "eap",
        ("eap-new", *ISSUED),
        android_by_hand=True,
        brings={"asked": {*ASKED["asked"], "android-eap by hand"}},
        between=HALF_RENEWED,
        advice=[["serve-root"]],
    ),
    "eap-renewed-with-root": Case(
        # Android has remembered the root, and goes on.
        "eap",
        ("eap-new", *ISSUED, "northpier-root"),
        before=(("eap", *ISSUED, "northpier-root"),),
        android_by_hand=True,
        brings=ASKED,
        between=HALF_RENEWED,
    ),
    "eap-other-issuer": Case(
        "eap",
        ("eap-other-issuer", "northpier-issuing-2"),
        brings=ASKED,
        between={"eap-leaf-differs"},
    ),
    "eap-other-root": Case(
        # Its certificate is not at hand, so that nobody can rehearse to give it to clients first.
        "eap",
        ("eap-other-root", "northpier-issuing-3"),
        brings=STRANGE,
        after={"eap-unknown-root"},
        advice=[["like-today"]],
    ),
    "eap-other-root-at-hand": Case(
        "eap",
        ("eap-other-root", "northpier-issuing-3", "northpier-root-2"),
        brings=STRANGE,
        after={"eap-unknown-root"},
        advice=[["roots-first"], ["like-today"]],
    ),
    "eap-other-root-prepared": Case(
        "eap",
        ("eap-other-root", "northpier-issuing-3"),
        eap_roots=("northpier-root-2",),
        brings=ASKED,
        between={"eap-leaf-differs"},
    ),
    "eap-other-root-remembered": Case(
        # Both roots are in the profiles, but phones that were set up by hand know the old one.
        "eap",
        ("eap-other-root", "northpier-issuing-3", "northpier-root-2"),
        before=(("eap", *ISSUED, "northpier-root"),),
        eap_roots=("northpier-root-2",),
        android_by_hand=True,
        brings={"asked": {*ASKED["asked"], "android-eap by hand"}},
        between={"eap-root-differs"},
        advice=[["like-today"]],
    ),
    "eap-other-root-and-name": Case(
        "eap",
        ("eap-other-root-and-name", "northpier-issuing-3", "northpier-root-2"),
        options=("--for", "eap"),
        brings=STRANGE,
        after={"eap-unknown-root"},
        advice=[["roots-first", "common-name"], ["like-today"]],
    ),
    "eap-lost-name": Case(
        "eap",
        ("eap-other-name", *ISSUED),
        options=("--for", "eap"),
        brings=STRANGE,
        after={"eap-name-unexpected"},
        advice=[["common-name"], ["like-today"]],
    ),
    "eap-wildcard": Case(
        # Windows and Linux are known from memory to refuse it.
        "eap",
        ("eap-wildcard", *ISSUED),
        options=("--for", "eap"),
        brings=ASKED | {"blocked": {"android-eap"}, "warned": {"apple-eap"}},
        after={"eap-wildcard-name"},
        advice=[["like-today"]],
    ),
    "eap-private-to-public": Case(
        "eap",
        ("eap-public", "public-issuing"),
        options=("--for", "eap"),
        brings=STRANGE,
        between={"eap-root-differs"},
        after={"eap-unknown-root"},
        advice=[["roots-first"], ["like-today"]],
    ),
    "eap-incomplete": Case(
        "eap",
        ("eap-new",),
        brings=STRANGE,
        between=HALF_RENEWED,
        after={"eap-chain-incomplete"},
        advice=[["whole-chain"]],
    ),
    "eap-half-way": Case(
        "eap", ("eap-new", *ISSUED), done=("quay2",), order=("quay3", "quay1"), brings=ASKED
    ),
    "eap-ended-at-one": Case(
        "eap",
        ("eap-new", *ISSUED),
        apart={"quay3": (("eap-ended", *ISSUED),)},
        brings=ASKED,
        advice=[["order"]],
    ),
    "eap-long": Case(
        # In fragments as small as these nodes cut them, nobody waits for the end of it.
        "eap",
        ("eap-many-names", *ISSUED),
        brings={"blocked": {*ASKED["asked"], *SUPPLICANTS, "linux-eap by hand"}},
        between={"eap-leaf-differs"},
        after={"eap-long-chain"},
    ),
    "eap-other-key-family": Case("eap", ("eap-ecdsa", *ISSUED), brings=ASKED, between=HALF_RENEWED),
    "eap-other-key-family-left": Case(
        "eap",
        ("eap-new", *ISSUED),
        before=(*EAP, ("eap-ecdsa-old", *ISSUED)),
        left=(("eap-ecdsa-old", *ISSUED),),
        closely=True,
        between=HALF_RENEWED,
        left_behind={"import-other-family-left"},
    ),
    "web-renewed": Case(
        "web", ("guest-new", "public-issuing"), between={"cluster-half-renewed"}, after=PINNED
    ),
    "web-other-ca": Case(
        "web", ("guest-other-ca", "public-issuing-2"), after={"dns-caa-forbids", *PINNED}
    ),
    "web-lost-name": Case(
        "web",
        ("guest-lost", "public-issuing"),
        brings={"warned": BROWSERS},
        after={"web-name-mismatch", *PINNED},
        advice=[["like-today"]],
    ),
    "web-wildcard": Case("web", ("guest-wildcard", "public-issuing"), after=PINNED),
    "web-public-to-private": Case(
        "web",
        ("guest-private", *ISSUED),
        options=("--for", "web"),
        brings={"warned": {*BROWSERS, "captive-web"}},
        after={"web-private-root", *PINNED},
        advice=[["like-today"]],
    ),
    "web-revoked": Case(
        # Portal browsers ask nobody about it.
        "web",
        ("guest-revoked", "public-issuing"),
        brings={"warned": BROWSERS},
        after={"web-revoked", *PINNED},
    ),
    "web-other-key-family": Case(
        "web",
        ("guest-ecdsa-new", "public-issuing"),
        between={"cluster-half-renewed"},
        after=PINNED,
    ),
    "web-other-key-family-left": Case(
        "web",
        ("guest-new", "public-issuing"),
        before=(*WEB, ("guest-ecdsa", "public-issuing")),
        left=(("guest-ecdsa", "public-issuing"),),
        between={"cluster-half-renewed"},
        left_behind={"import-other-family-left"},
    ),
}


@pytest.fixture(scope="module")
def lab(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cluster]:
    folder = tmp_path_factory.mktemp("rollout")
    with Cluster(Scenario.load("healthy-roll-out"), directory=folder, at=DAY) as running:
        yield running


def run(lab: Cluster, *arguments: str | Path) -> dict[str, Any]:
    target = lab.directory / "said.json"
    words = [*map(str, arguments), "--at", DAY.isoformat(), "--format", "json", "--quiet"]
    assert main([*words, "--output", str(target)]) in {0, 1, 4}
    document: dict[str, Any] = json.loads(target.read_text("utf-8"))
    return document


def told(document: dict[str, Any]) -> Step:
    return {
        (one["rule"], tuple(one["nodes"]), tuple(one["clients"])) for one in document["findings"]
    }


def set_up(lab: Cluster, case: Case) -> Path:
    """Have the nodes serve what they serve before; return the plan."""
    usual: dict[str, Chains] = {"web": WEB, "eap": EAP}
    for node in NODES:
        for endpoint, chains in usual.items():
            own = (case.before or chains) if endpoint == case.endpoint else chains
            lab.install(node, *own, endpoint=endpoint)
    for node, chains in case.apart.items():
        lab.install(node, *chains, endpoint=case.endpoint)
    for node in case.done:
        lab.install(node, case.new, *case.left, endpoint=case.endpoint)
    roots = ", ".join(f'"{root}.pem"' for root in case.eap_roots)
    for root in case.eap_roots:
        (lab.directory / f"{root}.pem").write_bytes(lab.issued(root).pem)
    plan = lab.plan_path.read_text("utf-8")
    one = 'eap = ["pki/northpier-root.pem"]'
    assert plan.count(one) == 1
    if roots:
        plan = plan.replace(one, f'eap = ["pki/northpier-root.pem", {roots}]')
    if case.android_by_hand:
        before = '"linux-eap"'
        assert plan.count(before) == 2
        by_hand = '{ family = "android-eap", setup = "by-hand" }'
        plan = plan.replace(before, f"{by_hand}, {before}", 1)
    path = lab.directory / "case.toml"
    path.write_text(plan, "utf-8")
    return path


def bundle(lab: Cluster, case: Case) -> Path:
    chain = [lab.issued(label) for label in case.new]
    path = lab.directory / "new.pem"
    path.write_bytes(b"".join(one.pem for one in chain) + chain[0].key_pem)
    return path


def felt(step: dict[str, Any]) -> dict[str, set[str]]:
    """Return by what they feel the clients that meet something."""
    found: dict[str, set[str]] = {}
    for one in step["experiences"]:
        if one["feels"] != "works":
            who = one["client"] + (" by hand" if one["setup"] == "by-hand" else "")
            found.setdefault(one["feels"], set()).add(who)
    return found


@pytest.mark.parametrize("name", CASES)
def test_what_is_foretold_is_what_is_seen(lab: Cluster, name: str) -> None:
    case = CASES[name]
    plan = set_up(lab, case)
    order = ("--order", ",".join(case.order)) if case.order != NODES else ()
    rehearse = ("bundle", bundle(lab, case), "--plan", plan, "--rehearse", *order, *case.options)
    rehearsal = run(lab, *rehearse)
    Draft202012Validator(json.loads(schema_path("probe-rehearsal/1").read_text())).validate(
        rehearsal
    )
    steps = rehearsal["steps"]
    ways = range(len(case.order) + 1)
    assert [step["done"] for step in steps] == [list(case.order[:done]) for done in ways]
    assert rehearsal["already"] == list(case.done)

    for step in steps:
        if step["newly"]:
            (node,) = step["newly"]
            lab.install(node, case.new, *case.left, endpoint=case.endpoint)
        if case.closely and step is not steps[-1]:
            (seen, *_) = run(lab, *rehearse)["steps"]
        else:
            seen = run(lab, "cluster", plan, "--history", "off")
        assert told(step) == told(seen), step["done"]

    assert felt(steps[-1]) == case.brings
    spans = [(one["span"], one["rule"]) for one in rehearsal["troubles"]]
    assert {rule for span, rule in spans if span == "between"} == case.between
    assert {rule for span, rule in spans if span == "new"} == case.after
    assert [one["kinds"] for one in rehearsal["advice"]] == case.advice
    assert {one["rule"] for one in rehearsal["left_behind"]} == case.left_behind
    behind = [one for one in rehearsal["first"] if "stay behind in the end" in one]
    assert len(behind) == (1 if case.left_behind else 0)
    if case.left_behind:
        seen = run(lab, "cluster", plan, "--history", "off", "--expect", bundle(lab, case))
        imports = {one for one in told(seen) if one[0].startswith("import-")}
        assert imports == told({"findings": rehearsal["left_behind"]})


def test_what_is_known_from_a_file_or_the_history_gives_the_same(lab: Cluster) -> None:
    case = CASES["web-lost-name"]
    plan = set_up(lab, case)
    saved, history = lab.directory / "seen.survey", lab.directory / "runs.sqlite"
    run(lab, "cluster", plan, "--save", saved, "--history", history)
    rehearse = ("bundle", bundle(lab, case), "--plan", plan, "--rehearse")
    asked, *others = (
        run(lab, *rehearse, *source) for source in ((), ("--from", saved), ("--history", history))
    )
    for other in others:
        for one, same in zip(asked["steps"], other["steps"], strict=True):
            assert felt(one) == felt(same)
            of_web = {rule for rule in told(one) if rule[0].startswith("web-")}
            assert of_web == {rule for rule in told(same) if rule[0].startswith("web-")}
        assert other["first"] == asked["first"]
    from_file, from_history = others
    assert "revoked was not asked" not in " ".join(asked["unknown"])
    # Neither the CA of a certificate that nobody serves, nor, in what is remembered, any resolver.
    assert "revoked was not asked" in " ".join(from_file["unknown"])
    assert "No resolver was asked" in " ".join(from_history["unknown"])
    assert not any(told_of["endpoint"] == "dns" for told_of in from_history["troubles"])


def test_one_roll_out_s_prophecy_is_no_other_s(lab: Cluster) -> None:
    """The twin that must fail: what was foretold of one certificate, and another one imported."""
    case, other = CASES["eap-lost-name"], CASES["eap-renewed"]
    plan = set_up(lab, case)
    rehearsal = run(lab, "bundle", bundle(lab, case), "--plan", plan, "--rehearse", *case.options)
    lab.install("quay1", other.new, endpoint="eap")
    seen = run(lab, "cluster", plan, "--history", "off")
    assert told(rehearsal["steps"][1]) != told(seen)
