"""Surveys from several places as one."""

from datetime import UTC, datetime

import pytest

from probe.observation.merge import merge
from probe.observation.model import (
    Endpoint,
    Lookup,
    LookupAsk,
    LookupOutcome,
    Question,
    Survey,
    Taken,
)
from probe.records import replace

AT = datetime(2026, 11, 25, 9, 0, 0, tzinfo=UTC)
ASK = LookupAsk("guest.northpier.example", "A", "system")


def seen_from(vantage: str, address: str, *nodes: str) -> Survey:
    return Survey(
        taken=(Taken(AT, AT, vantage),),
        plan_digest="0" * 64,
        questions=(Question("dns/guest", Endpoint.DNS, nodes, lookup=ASK),),
        lookups=(
            Lookup(
                "dns/guest", ASK, AT, 0.1, LookupOutcome.ANSWERED, data=(address,), vantage=vantage
            ),
        ),
        certificates={address: address.encode()},
    )


OFFICE = seen_from("head office", "192.0.2.11", "quay1")
TERMINAL = seen_from("ferry terminal", "198.51.100.11", "quay1", "quay2")


def test_every_record_stays_with_its_vantage() -> None:
    both = merge((OFFICE, TERMINAL))
    assert both.lookups == OFFICE.lookups + TERMINAL.lookups
    assert [row.vantage for row in both.lookups] == ["head office", "ferry terminal"]
    assert both.taken == OFFICE.taken + TERMINAL.taken
    assert both.plan_digest == "0" * 64
    assert not both.interrupted


def test_a_question_is_there_once_and_speaks_of_all_its_nodes() -> None:
    (question,) = merge((OFFICE, TERMINAL)).questions
    assert question == Question("dns/guest", Endpoint.DNS, ("quay1", "quay2"), lookup=ASK)


def test_a_certificate_is_there_once() -> None:
    assert merge((OFFICE, TERMINAL, OFFICE)).certificates == {
        "192.0.2.11": b"192.0.2.11",
        "198.51.100.11": b"198.51.100.11",
    }


def test_a_file_given_twice_counts_once() -> None:
    assert merge((OFFICE, OFFICE)) == OFFICE


def test_one_survey_is_itself() -> None:
    assert merge((OFFICE,)) == OFFICE


def test_an_interrupted_part_leaves_the_whole_interrupted() -> None:
    assert merge((OFFICE, replace(TERMINAL, interrupted=True))).interrupted


def test_of_different_plans_there_is_no_one_digest() -> None:
    assert merge((OFFICE, replace(TERMINAL, plan_digest="1" * 64))).plan_digest is None


def test_of_nothing_there_is_no_survey() -> None:
    with pytest.raises(ValueError, match="no survey"):
        merge(())
