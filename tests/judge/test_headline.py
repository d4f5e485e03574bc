"""What is to be read first, from findings and rows written by hand."""

from datetime import UTC, datetime

from probe.assessment import (
    Accepted,
    Apart,
    Basis,
    Does,
    Felt,
    Finding,
    Headline,
    NotServed,
    Reaction,
    ServedChain,
    Verdict,
)
from probe.judge.headline import headline
from probe.observation.model import Endpoint
from probe.records import replace

NODES = ("quay1", "quay2", "quay3", "quay4")


def finding(identifier: str, verdict: Verdict, *nodes: str, **changes: object) -> Finding:
    made = Finding(
        id=identifier,
        rule="eap-expired",
        verdict=verdict,
        endpoint=Endpoint.EAP,
        nodes=nodes,
        name=None,
        addresses=(),
        certificates=(),
        clients=(),
        reactions=(),
        due=None,
        folded=(),
        accepted=None,
        says="It has ended.",
        evidence=(),
        remedy="Renew it.",
        source="RFC 5280, 4.1.2.5",
        basis=Basis.PUBLISHED,
    )
    return replace(made, **changes)  # type: ignore[arg-type]


def refuses(*families: str) -> tuple[Reaction, ...]:
    return tuple(Reaction(family, "profile", Does.REFUSES, None) for family in families)


def test_nothing_found_is_an_empty_headline() -> None:
    assert headline((), (), (), NODES) == Headline()


def test_families_that_share_a_place_are_one_entry() -> None:
    found = (
        finding("a", Verdict.BLOCKED, "quay4", reactions=refuses("windows-eap")),
        finding("b", Verdict.BLOCKED, "quay4", reactions=refuses("windows-eap", "apple-eap")),
    )
    assert headline(found, (), (), NODES).felt == (
        Felt(
            Verdict.BLOCKED,
            Endpoint.EAP,
            ("windows-eap", "apple-eap"),
            ("quay4",),
            (),
            ("a", "b"),
        ),
    )


def test_one_finding_blocks_some_and_warns_others_and_lets_others_go_on() -> None:
    reactions = (
        Reaction("apple-eap", "by-hand", Does.WARNS, None),
        Reaction("linux-eap", "profile", Does.CONTINUES, None),
        *refuses("windows-eap"),
    )
    felt = headline((finding("a", Verdict.BLOCKED, "quay4", reactions=reactions),), (), (), NODES)
    assert [(entry.verdict, entry.clients) for entry in felt.felt] == [
        (Verdict.BLOCKED, ("windows-eap",)),
        (Verdict.WARNED, ("apple-eap",)),
    ]


def test_a_reaction_is_felt_no_worse_than_its_finding() -> None:
    found = finding("a", Verdict.WARNED, "quay4", reactions=refuses("windows-eap"))
    (entry,) = headline((found,), (), (), NODES).felt
    assert entry.verdict is Verdict.WARNED


def test_names_of_one_place_and_nodes_of_one_name_come_together() -> None:
    def uncovered(identifier: str, name: str, node: str) -> Finding:
        return finding(
            identifier,
            Verdict.WARNED,
            node,
            endpoint=Endpoint.WEB,
            name=name,
            reactions=(Reaction("apple-web", None, Does.WARNS, None),),
        )

    found = (
        uncovered("a", "guest.northpier.example", "quay2"),
        uncovered("b", "portal.northpier.example", "quay2"),
        uncovered("c", "guest.northpier.example", "quay3"),
        uncovered("d", "portal.northpier.example", "quay3"),
    )
    (entry,) = headline(found, (), (), NODES).felt
    assert entry.names == ("guest.northpier.example", "portal.northpier.example")
    assert entry.nodes == ("quay2", "quay3")
    assert entry.findings == ("a", "b", "c", "d")


def test_every_page_is_not_one_name_more() -> None:
    web = {"endpoint": Endpoint.WEB, "clients": ("apple-web",)}
    found = (
        finding("a", Verdict.WARNED, "quay2", **web),
        finding("b", Verdict.WARNED, "quay2", name="guest.northpier.example", **web),
    )
    assert [entry.names for entry in headline(found, (), (), NODES).felt] == [
        (),
        ("guest.northpier.example",),
    ]


def test_due_unseen_and_advised_are_felt_by_nobody_now() -> None:
    found = tuple(
        finding(verdict.word, verdict, "quay1", reactions=refuses("windows-eap"))
        for verdict in (Verdict.DUE, Verdict.UNSEEN, Verdict.ADVISED)
    )
    made = headline(found, (), (), NODES)
    assert made.felt == ()
    assert made.first == "due"


def test_an_accepted_finding_raises_no_alarm_unless_it_blocks() -> None:
    known = Accepted("replaced in spring", datetime(2027, 4, 1, tzinfo=UTC), False)
    warned = finding("a", Verdict.WARNED, "quay4", clients=("apple-eap",), accepted=known)
    assert headline((warned,), (), (), NODES) == Headline()
    blocked = replace(warned, verdict=Verdict.BLOCKED)
    assert headline((blocked,), (), (), NODES).first == "a"


def test_nodes_apart_are_each_named_once_worst_first() -> None:
    def row(chain: str, *nodes: str, apart: bool) -> ServedChain:
        return ServedChain(
            Endpoint.EAP, (chain,), nodes, (), ("PEAP",), Verdict.SOUND, (), None, apart
        )

    served = (
        row("usual", "quay1", apart=False),
        row("odd", "quay2", "quay3", apart=True),
        row("other", "quay4", apart=True),
    )
    missing = (NotServed(Endpoint.WEB, "closed", ("quay4",), Verdict.BLOCKED, ("a",), True),)
    found = (finding("a", Verdict.BLOCKED, "quay4"), finding("b", Verdict.ADVISED, *NODES))
    assert headline(found, served, missing, NODES).apart == (
        Apart(("quay4",), Verdict.BLOCKED, (Endpoint.EAP,), (Endpoint.WEB,), ("a",)),
        Apart(("quay2", "quay3"), Verdict.SOUND, (Endpoint.EAP,), (), ()),
    )


def test_a_fault_that_most_nodes_share_sets_none_of_them_apart() -> None:
    found = (finding("a", Verdict.BLOCKED, "quay1", "quay2", "quay3"),)
    assert headline(found, (), (), NODES).apart == ()


def test_different_odd_chains_are_different_entries() -> None:
    served = tuple(
        ServedChain(Endpoint.EAP, (node,), (node,), (), (), Verdict.SOUND, (), None, True)
        for node in ("quay1", "quay2")
    )
    apart = headline((), served, (), ("quay1", "quay2")).apart
    assert [entry.nodes for entry in apart] == [("quay1",), ("quay2",)]
