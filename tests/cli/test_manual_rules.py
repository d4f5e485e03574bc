"""Every rule has its page, with each part, as the catalogue and the client data have it now."""

import re
from pathlib import Path

import pytest

from probe import manual
from probe.jobs.rules import catalogue, explain
from probe.judge.catalogue import RULES
from probe.judge.clients.reactions import BY_NAME
from probe.judge.why import KEYS, WHOM, why
from probe.manual.generate import FOLDER, files
from probe.plan.model import FAMILIES
from probe.plan.rule_ids import RULE_IDS
from tests.cli.acting import Probe

PARTS = (
    "What was observed",
    "Why it matters",
    "To whom",
    "What to do",
    "How bad it is",
    "Source",
)
IDS = tuple(rule.id for rule in RULES)


def parts(page: str) -> dict[str, str]:
    """Return what stands under each heading, on one line."""
    _, *rest = re.split(r"^## (.*)$", page, flags=re.MULTILINE)
    return {
        heading: " ".join(text.split()) for heading, text in zip(rest[::2], rest[1::2], strict=True)
    }


def test_the_pages_are_those_of_the_catalogue() -> None:
    """`python -m probe.manual` writes them anew."""
    made = files()
    there = {*(FOLDER / "rules").iterdir(), FOLDER / "rules.md"}
    assert there == set(made)
    stale = [path.name for path, text in made.items() if path.read_text("utf-8") != text]
    assert stale == []


@pytest.mark.parametrize("rule_id", IDS)
def test_a_rule_has_each_part(rule_id: str) -> None:
    found = parts(manual.read(rule_id))
    assert tuple(found)[: len(PARTS)] == PARTS
    for heading in PARTS:
        assert len(found[heading]) >= len("`due`."), heading
    # What was observed, why, and what to do are three sentences and not one of them thrice.
    assert len({found[heading] for heading in PARTS[:4]}) == 4


def test_every_id_that_a_plan_may_name_has_a_page() -> None:
    assert set(IDS) <= set(RULE_IDS)
    assert set(IDS) <= set(manual.names())


def test_no_reason_is_left_over() -> None:
    used = {rule_id if rule_id in KEYS else rule_id.split("-", 1)[1] for rule_id in IDS}
    assert used == KEYS


def test_a_rule_without_a_reason_is_not_passed_over() -> None:
    with pytest.raises(KeyError):
        why("web-of-another-kind")


def test_every_client_family_that_reacts_is_named_to_whom_it_matters() -> None:
    named = set()
    for rule in catalogue():
        explained = explain(rule.id)
        to_whom = parts(manual.read(rule.id))["To whom"]
        for reaction in explained.reactions:
            assert BY_NAME[reaction.client].title in to_whom, rule.id
            named.add(reaction.client)
    assert named == set(FAMILIES)


def test_whom_a_rule_concerns_is_said_once_by_clients_or_by_hand() -> None:
    for rule in catalogue():
        assert rule.whom is None or not explain(rule.id).reactions, rule.id
    assert set(WHOM) <= set(IDS)
    assert parts(manual.read("eap-root-helps-android"))["To whom"].startswith("* Android")
    assert parts(manual.read("radsec-expired"))["To whom"].startswith("* Every peer")


def test_what_is_known_of_an_expired_certificate_is_told() -> None:
    """By hand, of the client data: windows-eap.toml, apple-eap.toml, android-eap.toml."""
    page = parts(manual.read("eap-expired"))
    assert "Windows 802.1X" in page["To whom"]
    assert (
        'Apple 802.1X, set up by profile: warned, shown "certificate is expired"'
        in (page["To whom"])
    )
    assert "Microsoft, certificate requirements for PEAP and EAP" in page["Source"]
    assert page["What to do"].startswith("Renew the certificate")


def test_whom_a_missing_certificate_holds_up_at_worst_is_told() -> None:
    """By hand, of chromium-web.toml: it fetches where an address is named, and warns where none is,
    in the same words as of an unknown root."""
    page = parts(manual.read("web-chain-incomplete"))
    assert 'Chromium browsers: warned, shown "NET::ERR_CERT_AUTHORITY_INVALID"' in page["To whom"]
    assert "not held up" not in page["To whom"]
    assert "where the certificate names an address" in page["Why it matters"]
    assert "web-chain-incomplete" in manual.containing("NET::ERR_CERT_AUTHORITY_INVALID")


def test_a_note_is_not_said_to_warn_anybody() -> None:
    page = parts(manual.read("eap-override-disabled"))
    assert (
        page["To whom"] == "* Windows 802.1X: where another finding would warn it, it is blocked."
    )
    assert page["How bad it is"] == "A note: it changes no verdict."


def test_no_verdict_is_promised_that_a_finding_may_fall_short_of() -> None:
    """A handshake that ended before the proof is `unseen`, though a wrong proof is `blocked`; so is
    a bundle whose password is not known."""
    for rule_id in ("web-key-unproven", "bundle-unreadable", "eap-refused"):
        told = parts(manual.read(rule_id))["How bad it is"]
        assert told == "`blocked`; milder where the finding says why.", rule_id
    assert parts(manual.read("import-not-served"))["How bad it is"].startswith("`warned` or worse;")
    assert parts(manual.read("web-silent"))["How bad it is"] == "`unseen` or worse."


def test_links_lead_to_pages() -> None:
    for path in FOLDER.rglob("*.md"):
        for target in re.findall(r"\]\(([^)#\s]+)\)", path.read_text("utf-8")):
            assert (path.parent / target).is_file(), f"{path.name}: {target}"


def test_a_page_is_shown_and_a_word_is_found(probe: Probe) -> None:
    ended = probe("manual", "eap-expired")
    assert ended.status == 0
    assert ended.stdout.startswith(
        "eap-expired\n  A certificate has expired.\n\nWhat was observed\n"
    )
    assert "  web-expired, radsec-expired\n" in ended.stdout
    assert max(map(len, ended.stdout.split("\n"))) <= 80
    found = probe("manual", "handshake", "longer")
    assert found.status == 0
    assert found.stdout.endswith(
        "  probe manual eap-chain-surplus\n  probe manual web-chain-surplus\n"
    )


@pytest.mark.parametrize(
    "words",
    ["web-expired.md", "rules/web-expired.md", "WEB-EXPIRED", "web expired", " web-expired "],
)
def test_a_page_is_found_however_its_name_is_written(probe: Probe, words: str) -> None:
    assert probe("manual", words).stdout == probe("manual", "web-expired").stdout
    assert probe("manual", " ").stdout == probe("manual").stdout


def test_words_that_stand_apart_are_found_where_all_of_them_stand(probe: Probe) -> None:
    """No page says them in this order; parts of words are none."""
    found = probe("manual", "lockout", "login", "test", "account")
    assert found.stdout == ("Pages with lockout login test account:\n  probe manual logs\n")
    assert probe("manual", "lockou", "login").status == 2


def test_what_is_no_page_is_wrong_use(probe: Probe) -> None:
    ended = probe("manual", "eap-expird")
    assert ended.status == 2
    assert "did you mean eap-expired?" in ended.stderr
    assert ended.stdout == ""
    hostile = probe("manual", "\x1b[2J\nx")
    assert hostile.status == 2
    assert "\x1b" not in hostile.stderr


def test_no_page_is_wider_than_a_terminal_or_holds_a_control_character() -> None:
    for path in FOLDER.rglob("*.md"):
        text = path.read_text("utf-8")
        assert text.isascii(), path.name
        for line in re.sub(r"\]\([^)]*\)", "]", text).split("\n"):  # without targets of links
            assert line.isprintable(), path.name
            assert len(line) <= 78, f"{path.name}: {line}"


def test_the_folder_is_package_data() -> None:
    """What the tests read is what `probe manual` reads."""
    assert Path(str(FOLDER)) == Path(manual.__file__).parent
