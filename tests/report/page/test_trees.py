"""What is served as the page draws it: who sends what, what is missing, what differs."""

from probe.observation.model import Endpoint
from probe.records import replace
from tests.report import build
from tests.report.page.many import incomplete
from tests.report.page.reading import links, page_of, trees


def test_one_tree_stands_for_all_nodes_that_serve_the_chain() -> None:
    web, eap = trees(page_of(build.healthy()))
    assert web.one("h4").text == "all 4 nodes sound"
    assert links(web) == [
        ("leaf", "guest.northpier.example", "all 4 nodes send this"),
        ("between", "Harbour Public CA 3", "all 4 nodes send this"),
        ("anchor", "Harbour Public Root", "a root that clients have: nobody has to send it"),
    ]
    assert eap.one("p", "how").text == "in PEAP and EAP-TLS"


def test_what_differs_says_so_in_words_and_by_shape() -> None:
    *_, odd = [tree for tree in trees(page_of(build.troubled())) if "silent" not in tree.classes]
    assert odd.one("h4").text == "quay4 blocked stands apart 1"
    assert "apart" in odd.classes
    assert [use.attributes["href"] for use in odd.one("h4").all("use")] == ["#mark-blocked"]
    assert links(odd) == [
        ("leaf", "quay4.northpier.example", "quay4 sends this; seen only here"),
        ("open", "no known root", "it leads to no root that clients here have"),
    ]


def test_a_missing_certificate_leaves_a_gap_and_says_who_sends_it() -> None:
    _, alone, _ = trees(page_of(incomplete()))
    assert links(alone) == [
        (
            "leaf",
            "guest.northpier.example",
            "quay3 sends this; the same as at quay1, quay2 and quay4",
        ),
        (
            "gap",
            "Harbour Public CA 3",
            "missing: quay3 does not send this; quay1, quay2 and quay4 send it",
        ),
        ("anchor", "Harbour Public Root", "a root that clients have: nobody has to send it"),
    ]


def test_a_missing_certificate_that_its_issuer_publishes_names_the_address() -> None:
    everybody, _ = trees(page_of(incomplete("http://pki.northpier.example/ca3.cer")))
    assert links(everybody)[1] == (
        "gap",
        "Harbour Public CA 3",
        "missing: nobody sends this; found at its issuer's address, "
        "http://pki.northpier.example/ca3.cer",
    )


def test_what_another_endpoint_sends_is_not_called_seen_only_here_or_sent_by_nobody() -> None:
    """quay3 has on its pages what everybody has for EAP; and pages lack what EAP sends."""
    web, eap = build.healthy().served
    astray = replace(web, chain=eap.chain[:1], nodes=("quay3",), apart=True)
    rest = replace(web, nodes=("quay1", "quay2", "quay4"))
    _, odd, _ = trees(page_of(replace(build.healthy(), served=(rest, astray, eap))))
    assert links(odd)[0][2] == "quay3 sends this; the same as EAP at all 4 nodes"
    short = replace(web, chain=web.chain[:1], missing=("CN=x",), lacking=(build.WEB_CA.sha256,))
    other = replace(eap, chain=(*eap.chain, build.WEB_CA.sha256), nodes=("quay1", "quay2"))
    first, *_ = trees(page_of(replace(build.healthy(), served=(short, other))))
    assert links(first)[1] == (
        "gap",
        "Harbour Public CA 3",
        "missing: nobody sends this here; EAP at quay1 and quay2 has it",
    )


def test_a_missing_certificate_that_nobody_has_is_named_by_its_name() -> None:
    web, eap = build.healthy().served
    lost = replace(web, chain=web.chain[:1], missing=("CN=Lost CA",), ends_in=None)
    first, _ = trees(page_of(replace(build.healthy(), served=(lost, eap))))
    assert links(first)[1:] == [("gap", "CN=Lost CA", "missing: nobody sends this")]


def test_certificates_that_are_not_on_the_way_stand_beside_it() -> None:
    web, _eap = build.healthy().served
    more = replace(web, chain=(*web.chain, build.EAP_CA.sha256))
    known = {
        one.sha256: replace(one, issuer_raw=one.issuer.encode(), subject_raw=one.subject.encode())
        for one in (build.WEB_LEAF, build.WEB_CA, build.EAP_CA)
    }
    page = page_of(replace(build.healthy(), served=(more,), facts=known))
    (tree,) = trees(page)
    assert links(tree)[-1] == (
        "beside",
        "Northpier EAP Issuing CA",
        "all 4 nodes send this, and it is not on the way",
    )


def test_who_comes_to_radsec_is_called_a_peer() -> None:
    web, _ = build.healthy().served
    peers = replace(web, endpoint=Endpoint.RADSEC)
    (tree,) = trees(page_of(replace(build.healthy(), served=(peers,))))
    assert links(tree)[-1][2] == "a root that peers have: nobody has to send it"
    astray = replace(peers, ends_in=None)
    (tree,) = trees(page_of(replace(build.healthy(), served=(astray,))))
    assert links(tree)[-1][2] == "it leads to no root that peers here have"


def test_a_root_that_is_sent_is_an_anchor_too() -> None:
    web, _ = build.healthy().served
    root = build.facts("Harbour Public Root", "Harbour Public Root", self_issued=True)
    known = {
        one.sha256: replace(one, issuer_raw=one.issuer.encode(), subject_raw=one.subject.encode())
        for one in (build.WEB_LEAF, build.WEB_CA, root)
    }
    more = replace(web, chain=(*web.chain, root.sha256))
    (tree,) = trees(page_of(replace(build.healthy(), served=(more,), facts=known)))
    assert links(tree)[1:] == [
        ("between", "Harbour Public CA 3", "all 4 nodes send this"),
        (
            "anchor",
            "Harbour Public Root",
            "all 4 nodes send this, a root that clients have anyway",
        ),
    ]
