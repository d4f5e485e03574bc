"""A saved survey is read back as it was, and whatever else comes is one clear message."""

import contextlib
import hashlib
import json
import os
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probe.files import write_whole
from probe.observation.document import (
    SurveyError,
    SurveyTooNewError,
    from_json,
    read_survey,
    to_json,
    write_survey,
)
from probe.observation.merge import merge
from probe.observation.model import (
    EapSeen,
    Endpoint,
    Fetch,
    FetchKind,
    FetchOutcome,
    Handshake,
    HandshakeAsk,
    KeyFamily,
    Lookup,
    LookupAsk,
    LookupOutcome,
    Method,
    Outcome,
    Phase,
    Question,
    RadiusSeen,
    Served,
    Survey,
    Taken,
    TlsVersion,
)
from probe.records import replace

BEGAN = datetime(2026, 11, 25, 9, 0, 0, tzinfo=UTC)
ENDED = datetime(2026, 11, 25, 9, 0, 2, tzinfo=UTC)
LEAF = b"not really a certificate"
DIGEST = "d6182255e5739d55fc9781759c7a823d4dff3d2b7d17949e7085ee7c0cc22acf"
"""What `sha256sum` says of `LEAF`."""


def survey() -> Survey:
    """One of everything."""
    lookup = LookupAsk("quay1.northpier.example", "A", "10.0.9.53", "guest")
    visit = HandshakeAsk("192.0.2.11", 1812, methods=(Method.PEAP,))
    return Survey(
        taken=(Taken(BEGAN, ENDED, "head office", "desk7"),),
        plan_digest="0" * 64,
        questions=(
            Question("dns/1", Endpoint.DNS, ("quay1",), lookup=lookup),
            Question("eap/1", Endpoint.EAP, ("quay1",), handshake=visit),
        ),
        lookups=(
            Lookup(
                "dns/1",
                lookup,
                BEGAN,
                0.02,
                LookupOutcome.ANSWERED,
                aliases=("harbour.northpier.example",),
                data=("192.0.2.11",),
                ttl=300,
                vantage="head office",
            ),
        ),
        handshakes=(
            Handshake(
                "eap/1",
                Endpoint.EAP,
                ("quay1",),
                visit,
                BEGAN,
                0.1,
                Outcome.SERVED,
                Phase.PROOF,
                detail="said \x1b[31m and ü and \u202e",
                round_trips=4,
                served=Served(
                    (DIGEST,), TlsVersion.TLS1_2, "ECDHE", key_family=KeyFamily.RSA, key_proven=True
                ),
                eap=EapSeen(Method.PEAP, ("PEAP",), 0, (1004, 1004)),
                radius=RadiusSeen("Access-Challenge", True, (("Reply-Message", "x"),), (), 5),
                vantage="head office",
                source="192.0.2.200",
            ),
        ),
        certificates={DIGEST: LEAF},
    )


def test_a_survey_comes_back_as_it_was(tmp_path: Path) -> None:
    path = tmp_path / "monday.json"
    write_survey(survey(), path)
    read = read_survey(path)
    assert read.taken == (replace(survey().taken[0], source=str(path)),)
    assert replace(read, taken=survey().taken) == survey()


def test_the_saved_form_keeps_to_the_conventions() -> None:
    """UTF-8, one object, one final newline, times in UTC by whole seconds with Z."""
    octets = to_json(survey())
    assert octets.endswith(b"}\n")
    assert octets.count(b"\n") == 1
    document = json.loads(octets)
    assert document["format"] == "probe-survey/1"
    assert document["taken"][0]["began"] == "2026-11-25T09:00:00Z"
    assert document["certificates"] == {DIGEST: "bm90IHJlYWxseSBhIGNlcnRpZmljYXRl"}
    assert document["handshakes"][0]["served"]["group"] is None


def test_saving_again_gives_the_same_octets(tmp_path: Path) -> None:
    path = tmp_path / "monday.json"
    write_survey(survey(), path)
    assert to_json(read_survey(path)) == path.read_bytes()


def test_a_saved_file_obeys_the_umask_and_leaves_nothing_beside(tmp_path: Path) -> None:
    path = tmp_path / "monday.json"
    before = os.umask(0o027)
    try:
        write_survey(survey(), path)
    finally:
        os.umask(before)
    assert path.stat().st_mode & 0o777 == 0o640
    assert list(tmp_path.iterdir()) == [path]


def test_a_failed_write_keeps_what_was_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "monday.json"
    path.write_text("before")

    def disk_full(descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", disk_full)
    with pytest.raises(OSError, match="No space left"):
        write_survey(survey(), path)
    assert path.read_text() == "before"
    assert list(tmp_path.iterdir()) == [path]


def test_a_link_stays_a_link_and_a_device_stays_a_device(tmp_path: Path) -> None:
    (tmp_path / "link").symlink_to(tmp_path / "real")
    write_whole(tmp_path / "link", b"content")
    assert (tmp_path / "link").is_symlink()
    assert (tmp_path / "real").read_bytes() == b"content"
    write_whole(Path(os.devnull), b"content")
    assert Path(os.devnull).is_char_device()


def test_a_file_that_others_may_not_read_stays_so(tmp_path: Path) -> None:
    path = tmp_path / "monday.json"
    path.touch(mode=0o600)
    write_survey(survey(), path)
    assert path.stat().st_mode & 0o777 == 0o600


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can make a link that is another's")
def test_a_link_of_somebody_elses_in_a_shared_folder_is_not_followed(tmp_path: Path) -> None:
    """As the kernel does when a file is opened there (proc(5), protected_symlinks)."""
    precious = tmp_path / "precious"
    precious.write_text("before")
    shared = tmp_path / "shared"
    shared.mkdir()
    shared.chmod(0o1777)
    planted = shared / "monday.json"
    planted.symlink_to(precious)
    write_whole(planted, b"mine")
    assert precious.read_text() == "mine"
    os.lchown(planted, 65_534, 65_534)
    with pytest.raises(PermissionError, match="somebody else's link"):
        write_whole(planted, b"theirs")
    assert precious.read_text() == "mine"


def test_a_word_of_a_later_version_is_kept() -> None:
    octets = to_json(survey()).replace(b'"outcome":"served"', b'"outcome":"postponed"')
    read = from_json(octets)
    assert read.handshakes[0].outcome == "postponed"
    assert b'"outcome":"postponed"' in to_json(read)


def test_a_key_of_a_later_version_is_passed_over() -> None:
    octets = to_json(survey()).replace(b'"interrupted"', b'"mood":{"a":[1]},"interrupted"')
    assert from_json(octets) == survey()


def test_a_higher_format_number_is_an_error_of_its_own() -> None:
    octets = to_json(survey()).replace(b"probe-survey/1", b"probe-survey/2")
    with pytest.raises(SurveyTooNewError, match=r"probe-survey/2.*reads probe-survey/1"):
        from_json(octets)


def altered(old: bytes, new: bytes) -> bytes:
    octets = to_json(survey())
    assert old in octets
    return octets.replace(old, new)


@pytest.mark.parametrize(
    ("octets", "says"),
    [
        (b"", "truncated"),
        (b"\xff\xfe\x00", "malformed"),
        (b"[" * 200_000, "not a saved survey"),
        (b'{"x":' * 200_000, "not a saved survey"),
        (b"[]", "Expected `object`"),
        (b"{}", "its format is not probe-survey/1"),
        (b'{"format":"probe-report/1"}', "its format is not probe-survey/1"),
        (b'{"format":"probe-survey/one"}', "its format is not probe-survey/1"),
        (b'{"format":"probe-survey/1"}', "missing required field"),
        (altered(b"-11-25T09:00:02Z", b"-13-45T09:00:02Z"), "datetime"),
        (altered(b"-11-25T09:00:02Z", b"-11-25T09:00:02"), "in no time zone"),
        (altered(b"bm90", b"bm91"), "does not have that digest"),
        (altered(b"bm90", b"!!!!"), "base64"),
        (altered(b'"chain":["', b'"chain":["ab'), "which is not in it"),
        (altered(b'"id":"dns/1"', b'"id":"dns/2"'), "which was not asked"),
        (altered(b'"id":"dns/1"', b'"id":"eap/1"'), "twice"),
        (altered(b'"nodes":["quay1"],"service"', b'"nodes":[],"service"'), "no node"),
        (altered(b'"outcome":"served"', b'"outcome":7'), "Expected `str`"),
        (altered(b'"nodes":["quay1"],"asked"', b'"nodes":[],"asked"'), "something else"),
        (altered(b'"nodes":["quay1"],"asked"', b'"nodes":["quay2"],"asked"'), "something else"),
        (
            altered(b'"question":"eap/1","endpoint":"eap"', b'"question":"eap/1","endpoint":"web"'),
            "something else",
        ),
        (altered(b'["quay1"],"service"', b'["quay1","quay1"],"service"'), "a node twice"),
        (altered(f'"chain":["{DIGEST}"]'.encode(), b'"chain":[]'), "holds nothing"),
        (altered(b'"data":["192.0.2.11"]', b'"data":[]'), "holds nothing"),
        (altered(b"2026-11-25T09:00:02Z", b"9999-12-31T23:59:59-14:00"), "out of range"),
        (altered(b"2026-11-25T09:00:02Z", b"9999-12-15T00:00:00Z"), "out of range"),
    ],
)
def test_anything_else_is_one_clear_message(octets: bytes, says: str) -> None:
    with pytest.raises(SurveyError, match=says) as caught:
        from_json(octets)
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) <= 1_000


def test_an_answer_to_another_place_is_refused() -> None:
    """Whoever alters a file must not make an endpoint look seen that was not."""
    seen = survey()
    (visit,) = seen.handshakes
    for asked in (
        replace(visit.asked, address="192.0.2.12"),
        replace(visit.asked, port=1645),
        replace(visit.asked, visit="wired dock"),
    ):
        with pytest.raises(SurveyError, match="something else"):
            from_json(to_json(replace(seen, handshakes=(replace(visit, asked=asked),))))
    found = replace(seen.questions[1], handshake=replace(visit.asked, address=None))
    by_name = replace(seen, questions=(seen.questions[0], found))
    assert from_json(to_json(by_name)) == by_name


@pytest.mark.parametrize(
    ("asked", "went", "fits"),
    [
        (("*.northpier.example", "A"), ("cert-probe-5eed.northpier.example", "A"), True),
        (("*.northpier.example", "A"), ("cert-probe-5eed.northpier.example", "AAAA"), False),
        (("*.northpier.example", "A"), ("cert-probe-5eed.elsewhere.example", "A"), False),
        (("11.2.0.192.in-addr.arpa", "PTR"), ("11.2.0.192.in-addr.arpa", "PTR"), True),
        (("11.2.0.192.in-addr.arpa", "PTR"), ("quay1.northpier.example", "A"), True),
        (("11.2.0.192.in-addr.arpa", "PTR"), ("quay1.northpier.example", "CAA"), False),
        (("quay1.northpier.example", "A"), ("quay2.northpier.example", "A"), False),
        (("quay1.northpier.example", "A"), ("quay1.northpier.example", "AAAA"), False),
    ],
)
def test_an_answer_about_another_name_is_refused(
    asked: tuple[str, str], went: tuple[str, str], fits: bool
) -> None:
    seen = survey()
    (lookup,) = seen.lookups
    question = replace(seen.questions[0], lookup=LookupAsk(*asked, "10.0.9.53", "guest"))
    here = replace(lookup, asked=LookupAsk(*went, "10.0.9.53", "guest"))
    other = replace(seen, questions=(question, *seen.questions[1:]), lookups=(here,))
    if fits:
        assert from_json(to_json(other)) == other
    else:
        with pytest.raises(SurveyError, match="something else"):
            from_json(to_json(other))
    for elsewhere in (("10.0.9.54", "guest"), ("10.0.9.53", None)):
        there = replace(here, asked=LookupAsk(*went, *elsewhere))
        with pytest.raises(SurveyError, match="something else"):
            from_json(to_json(replace(other, lookups=(there,))))


def test_a_survey_was_taken_at_some_time() -> None:
    with pytest.raises(SurveyError, match="when it was taken"):
        from_json(to_json(replace(survey(), taken=())))


FETCHED = Fetch(
    FetchKind.CRL,
    "http://pki.northpier.example/ca.crl",
    DIGEST,
    BEGAN,
    0.1,
    FetchOutcome.FETCHED,
    200,
    body=hashlib.sha256(b"a list").hexdigest(),
)


def fetched(**changes: Any) -> Survey:
    bodies = {hashlib.sha256(b"a list").hexdigest(): b"a list"}
    return replace(survey(), fetches=(replace(FETCHED, **changes),), bodies=bodies)


def test_what_authorities_gave_comes_back_as_it_was() -> None:
    assert from_json(to_json(fetched())) == fetched()
    assert fetched().trimmed().fetches == (FETCHED,)
    merged = merge((fetched(), survey(), fetched()))
    assert (merged.fetches, merged.bodies) == (fetched().fetches, fetched().bodies)


@pytest.mark.parametrize(
    ("broken", "says"),
    [
        (fetched(body=None), "does not fit how it ended"),
        (fetched(outcome=FetchOutcome.SILENT), "does not fit how it ended"),
        (fetched(body="0" * 64), "is not in it"),
        (replace(fetched(), bodies={FETCHED.body or "": b"another list"}), "was altered"),
        (fetched(at=BEGAN.replace(tzinfo=None)), "in no time zone"),
    ],
)
def test_fetches_that_do_not_fit_together_are_refused(broken: Survey, says: str) -> None:
    with pytest.raises(SurveyError, match=says):
        from_json(to_json(broken))


def test_an_outcome_of_a_later_version_is_no_observation() -> None:
    octets = to_json(survey()).replace(b'"outcome":"served"', b'"outcome":"postponed"')
    assert from_json(octets).unobserved() == ("eap/1",)


def test_the_message_names_the_file_and_shows_nothing_raw(tmp_path: Path) -> None:
    path = tmp_path / "friday.json"
    path.write_bytes(altered(b'"id":"dns/1"', b'"id":"dns/\\u001b[2J"'))
    with pytest.raises(SurveyError, match=r"friday\.json: ") as caught:
        read_survey(path)
    assert str(caught.value).isprintable()
    with pytest.raises(SurveyError, match=r"sunday\.json: no such file"):
        read_survey(tmp_path / "sunday.json")


@given(st.binary(max_size=200), st.integers(0, 2_000), st.integers(0, 40))
def test_no_alteration_of_a_file_is_a_traceback(junk: bytes, start: int, length: int) -> None:
    octets = to_json(survey())
    with contextlib.suppress(SurveyError):
        from_json(octets[:start] + junk + octets[start + length :])
