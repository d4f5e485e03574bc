"""The text of a draft is TOML whatever peers wrote, and stands for what was proposed."""

import tomllib
from datetime import UTC, datetime
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import Encoding
from cryptography.x509.oid import NameOID
from hypothesis import given
from hypothesis import strategies as st

from probe.drafting.model import Answer, Given, Network, NodeDraft, Row, Shown
from probe.drafting.propose import propose
from probe.drafting.runs import runs
from probe.drafting.words import comment, quoted
from probe.judge.trust import AnchorSet
from probe.observation.model import Outcome
from probe.plan.model import SecretRef
from probe.plan.read import problems_in

NOBODY = AnchorSet("public", ())
KEY = ec.generate_private_key(ec.SECP256R1())
HOSTILE = 'Root"\n[trust]\neap = ["certifi"]\n#\x1b[2J\u202e \\'


def certificate(issuer: str, names: list[str]) -> bytes:
    """Return a certificate of a CA that is called so."""
    return (
        x509.CertificateBuilder()
        .subject_name(x509.Name([]))
        .issuer_name(x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, issuer)]))
        .public_key(KEY.public_key())
        .serial_number(1)
        .not_valid_before(datetime(2026, 1, 1, tzinfo=UTC))
        .not_valid_after(datetime(2027, 1, 1, tzinfo=UTC))
        .add_extension(x509.SubjectAlternativeName([x509.DNSName(n) for n in names]), critical=True)
        .sign(KEY, hashes.SHA256())
        .public_bytes(Encoding.DER)
    )


def seen(chain: tuple[bytes, ...]) -> Network:
    return Network(
        {"quay1.northpier.example": Answer(("192.0.2.11",))},
        (Shown("192.0.2.11", 443, "quay1.northpier.example", Outcome.SERVED, chain),),
        (Shown("192.0.2.11", 1812, "quay1.northpier.example", Outcome.SERVED, chain),),
    )


GIVEN = Given(names=("quay1.northpier.example",), secret=SecretRef(environment="NORTHPIER"))


def test_the_comments_of_a_draft_fit_a_terminal() -> None:
    chain = (certificate("Saltmarsh Public Root R1", ["quay1.northpier.example"]),)
    lines = propose(GIVEN, seen(chain), NOBODY).text.splitlines()
    assert sum(line.startswith("#") for line in lines) > 8
    assert [line for line in lines if len(line) > 80] == []


def test_a_hostile_name_of_a_ca_stays_a_comment() -> None:
    """It breaks no line, trusts nothing, and controls no terminal."""
    draft = propose(GIVEN, seen((certificate(HOSTILE[:64], ["quay1.northpier.example"]),)), NOBODY)
    plan = tomllib.loads(draft.text)
    assert plan["trust"] == {"staff": ["public"], "eap": []}
    assert all(line.isprintable() for line in draft.text.splitlines())
    assert all(root.file.isascii() and " " not in root.file for root in draft.roots)


@pytest.mark.parametrize("octets", [b"", b"\x30\x00", b"\x30\x82\xff\xff", b"no certificate"])
def test_what_is_no_certificate_gives_a_draft_all_the_same(octets: bytes) -> None:
    draft = propose(GIVEN, seen((octets,)), NOBODY)
    assert tomllib.loads(draft.text)["node"][0]["addresses"] == ["192.0.2.11"]
    assert draft.roots == ()


def test_without_roots_for_eap_it_does_not_load_and_says_why(tmp_path: Path) -> None:
    """With an empty list it would load, and call every supplicant blocked."""
    draft = propose(GIVEN, seen(()), NOBODY)
    (problem,) = problems_in(draft.text, tmp_path)
    assert problem.place == "trust.eap"
    assert any(one.place == "trust.eap" for one in draft.opens)


def test_several_roots_for_eap_wait_each_behind_a_hash_of_its_own(tmp_path: Path) -> None:
    """As many as nodes lead to: none is trusted, and each line can be freed alone."""
    hosts = ("quay1.northpier.example", "quay2.northpier.example")
    places = ("192.0.2.11", "192.0.2.12")
    network = Network(
        {host: Answer((place,)) for host, place in zip(hosts, places, strict=True)},
        (),
        tuple(
            Shown(place, 1812, host, Outcome.SERVED, (certificate(f"{host} Root", [host]),))
            for host, place in zip(hosts, places, strict=True)
        ),
    )
    told = Given(names=hosts, secret=SecretRef(environment="NORTHPIER"))
    draft = propose(told, network, NOBODY)
    (problem,) = problems_in(draft.text, tmp_path)
    assert (problem.place, problem.says.split(",")[0]) == ("trust.eap", "is empty")
    freed = draft.text.replace('# "roots/quay2-northpier-example-root.pem"', '"public"')
    assert tomllib.loads(freed)["trust"]["eap"] == ["public"]
    assert problems_in(freed, tmp_path) == ()


def test_a_command_that_is_told_can_be_typed_though_the_folder_has_a_space() -> None:
    told = Given(
        names=("quay1.northpier.example",),
        secret=SecretRef(environment="NORTHPIER"),
        roots_folder="our roots",
    )
    chain = (certificate("Harbour Root", ["quay1.northpier.example"]),)
    (says,) = [o.says for o in propose(told, seen(chain), NOBODY).opens if o.place == "trust"]
    assert "openssl x509 -in 'our roots/harbour-root.pem' -noout -fingerprint -sha256" in says


def test_where_a_node_may_be_is_one_comment_however_many_places_there_are() -> None:
    places = tuple(f"192.0.2.{n}" for n in range(20, 40))
    network = Network(
        {
            "quay1.northpier.example": Answer(("192.0.2.11",)),
            "quay2.northpier.example": Answer((), why="there is no such name"),
            "guest.northpier.example": Answer(("192.0.2.11", *places)),
        }
    )
    told = Given(
        names=("quay1.northpier.example", "quay2.northpier.example"),
        services=("guest.northpier.example",),
    )
    draft = propose(told, network, NOBODY)
    quay2 = tomllib.loads(draft.text)["node"][1]
    assert quay2 == {"name": "quay2", "host": "quay2.northpier.example"}
    assert all(place in draft.text for place in places)


def test_every_thing_that_is_open_is_numbered_where_it_stands() -> None:
    draft = propose(GIVEN, seen(()), NOBODY)
    marks = [line for line in draft.text.splitlines() if line.startswith("# OPEN ")]
    assert [line.split(":")[0] for line in marks] == [f"# OPEN {one.number}" for one in draft.opens]
    assert [one.number for one in draft.opens] == list(range(1, len(draft.opens) + 1))


def test_groups_and_sites_of_a_sheet_load_with_an_order_for_each_site(tmp_path: Path) -> None:
    rows = tuple(
        Row(
            host=f"quay{n}.northpier.example",
            addresses=(f"192.0.2.{n}",),
            group="harbour",
            site="pier" if n < 3 else "office",
        )
        for n in (1, 2, 3)
    )
    told = Given(rows=rows, secret=SecretRef(environment="NORTHPIER"))
    draft = propose(told, Network({}), NOBODY)
    trusted = draft.text.replace('# eap = ["roots/eap-root.pem"]', 'eap = ["public"]')
    assert problems_in(trusted, tmp_path) == ()
    plan = tomllib.loads(trusted)
    assert plan["group"] == [{"name": "harbour"}]
    assert plan["site"] == [
        {"name": "pier", "eap_order": ["quay1", "quay2", "quay3"]},
        {"name": "office", "eap_order": ["quay3", "quay1", "quay2"]},
    ]
    assert any(one.place == "site" for one in draft.opens)


@given(st.text(max_size=60))
def test_any_text_is_a_toml_string_and_a_comment(text: str) -> None:
    clean = text.encode(errors="replace").decode()
    assert tomllib.loads(f"key = {quoted(clean)}") == {"key": clean}
    assert tomllib.loads("\n".join(comment(clean))) == {}


def alike(numbers: list[int], step: int = 1) -> list[NodeDraft]:
    return [
        NodeDraft(f"quay{n:02}", f"quay{n:02}.northpier.example", (f"192.0.2.{10 + step * n}",))
        for n in numbers
    ]


@pytest.mark.parametrize(
    ("nodes", "expected"),
    [
        (alike([1, 2, 3, 4, 5, 6]), [("quay{nn}", 1, 6)]),
        (alike([8, 9, 10, 11, 12]), [("quay{nn}", 8, 12)]),
        (alike([1, 2, 3, 4]), [(f"quay0{n}", 0, None) for n in (1, 2, 3, 4)]),
        (
            alike([1, 2, 4, 5, 6, 7, 8]),
            [("quay01", 0, None), ("quay02", 0, None), ("quay{nn}", 4, 8)],
        ),
        (alike([1, 2, 3, 4, 5], step=2), [(f"quay0{n}", 0, None) for n in (1, 2, 3, 4, 5)]),
    ],
)
def test_nodes_in_a_row_are_one_table(
    nodes: list[NodeDraft], expected: list[tuple[str, int, int | None]]
) -> None:
    found = [(run.name, run.begins, run.last) for run in runs(nodes, lambda _node: ())]
    assert found == expected


def test_a_doubtful_node_stands_alone() -> None:
    nodes = alike([1, 2, 3, 4, 5, 6, 7])
    found = list(runs(nodes, lambda node: ("?",) if node.name == "quay01" else ()))
    assert [run.name for run in found] == ["quay01", "quay{nn}"]
