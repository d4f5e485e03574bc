"""The table of words, and what people paste for them."""

import json
from importlib.resources import files

import pytest

from probe.complaint import LogAlert
from probe.judge.complaint.carry import carried, everywhere
from probe.judge.complaint.clients import KNOWN_CLIENTS, WORDS, client_of
from probe.judge.complaint.match import understand
from probe.judge.complaint.table import BESIDE, FAMILIES_OF, ROWS
from probe.observation.model import Endpoint
from probe.plan.model import FAMILIES
from probe.plan.rule_ids import RULE_IDS

DATA = json.loads(files("probe.judge.complaint").joinpath("client_words.json").read_text("utf-8"))


def known(said: str) -> list[str]:
    return [words.words for words in understand(said).heard.known]


def test_the_table_has_every_row_that_was_published() -> None:
    assert len(DATA["rows"]) == 217
    assert [row.words.words for row in ROWS[:217]] == [row["words"] for row in DATA["rows"]]
    assert all(row.words.source for row in ROWS)


def test_every_candidate_is_a_rule_of_the_catalogue() -> None:
    rules = {rule for row in ROWS for rule in (*row.words.rules, *row.client_rules)}
    rules |= {rule for row in ROWS for rule in row.sent_rules}
    rules |= {*BESIDE, *(rule for also in BESIDE.values() for rule in also)}
    assert rules <= set(RULE_IDS)
    assert len(rules) > 60


def test_every_family_stands_for_families_of_the_plan() -> None:
    assert {row.family for row in ROWS} == set(FAMILIES_OF)
    assert {name for of in FAMILIES_OF.values() for name in of} <= set(FAMILIES)
    assert {name for of in WORDS.values() for name in of} <= set(FAMILIES)


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.words.words[:40])
def test_each_row_is_found_by_its_own_phrases(row: object) -> None:
    """Typed as they stand, in the wrong case, and with a line break in the middle."""
    assert row in ROWS
    for phrase in row.phrases:  # type: ignore[attr-defined]  # rows, by the test above
        middle = len(phrase) // 2
        broken = f"{phrase[:middle]}\n{phrase[middle:]}" if " " in phrase else phrase
        for said in (phrase, phrase.swapcase(), f"It says: „{phrase}“.", broken):
            assert row in understand(said).rows, said


@pytest.mark.parametrize(
    ("said", "words"),
    [
        # Chromium net error list: names with and without their scheme, and numbers.
        ("net::err_cert_date_invalid", "NET::ERR_CERT_DATE_INVALID"),
        ("ERR_CERT_DATE_INVALID", "NET::ERR_CERT_DATE_INVALID"),
        ("NET::ERR_CERT_COMMON_\n   NAME_INVALID", "NET::ERR_CERT_COMMON_NAME_INVALID"),
        ("net error -201", "NET::ERR_CERT_DATE_INVALID"),
        ("(\u2212202)", "NET::ERR_CERT_AUTHORITY_INVALID"),
        ("Your connection isn\u2019t private", "Your connection is not private"),
        ("Cant connect to this network!", "Can't connect to this network"),
        ("This connection isnt private.", "This Connection Is Not Private"),
        # winerror.h: hexadecimal in either case, unsigned and signed decimal (two's complement).
        ("0x800B0109", "CERT_E_UNTRUSTEDROOT"),
        ("Error: 800b0109", "CERT_E_UNTRUSTEDROOT"),
        ("2148204809", "CERT_E_UNTRUSTEDROOT"),
        ("-2146762487", "CERT_E_UNTRUSTEDROOT"),
        ("0x40420016", "EAP_I_EAPHOST_EAP_NEGOTIATION_FAILED"),
        # winhttp.h: 12000 and an offset.
        ("WinHTTP error 12045", "ERROR_WINHTTP_SECURE_INVALID_CA"),
        # SecBase.h.
        ("OSStatus error -9814", "errSSLCertExpired"),
        # RFC 9846, 6.2: numbers and names of alerts, as servers and systems write them.
        ("SSL alert number 48", "unknown_ca"),
        ("The TLS protocol defined fatal alert code is 46.", "certificate_unknown"),
        ("eap_peap: ERROR: (TLS) PEAP - Alert read:fatal:unknown CA", "unknown_ca"),
        ("error:0A000418:SSL routines::tlsv1 alert unknown ca", "unknown_ca"),
        # X509_V_ERR values, as the tools of the library write them.
        ("verify error:num=20", "unable to get local issuer certificate"),
        ("error 10 at 1 depth", "certificate has expired"),
        ("Verify return code: 24", "invalid CA certificate"),
        ("self signed certificate", "self-signed certificate"),
        # The supplicant's tls.h: 10 is no 1.
        (
            "CTRL-EVENT-EAP-TLS-CERT-ERROR reason=10 depth=0 subject='/CN=x'",
            "CTRL-EVENT-EAP-TLS-CERT-ERROR reason=5 / 6 / 10 (subject, alternative subject,"
            " domain mismatch)",
        ),
        # Parts.
        ("ERR_CERT_COMMON_NAME", "NET::ERR_CERT_COMMON_NAME_INVALID"),
        ("Firefox: potential security risk", "Warning: Potential Security Risk Ahead"),
        ("untrusted root", "SEC_E_UNTRUSTED_ROOT"),
    ],
)
def test_what_is_pasted_is_recognised(said: str, words: str) -> None:
    assert known(said) == [words]


@pytest.mark.parametrize(
    ("said", "not_also"),
    [
        ("self-signed certificate in certificate chain", "self-signed certificate"),
        ("ERR_SSL_UNRECOGNIZED_NAME_ALERT", "unrecognized_name"),
        ("bad_certificate_status_response", "bad_certificate"),
    ],
)
def test_of_phrases_in_one_place_the_longest_counts(said: str, not_also: str) -> None:
    assert known(said) == [said]
    assert known(not_also) == [not_also]


@pytest.mark.parametrize("said", ["-2001", "alert 450", "0x800B01099", "error 99999", "-20", "48"])
def test_a_number_within_another_one_is_none(said: str) -> None:
    assert known(said) == []


@pytest.mark.parametrize(
    "said", ["certificate", "the certificate", "error", "Expired", "SSL", "TLS"]
)
def test_what_is_too_general_matches_nothing_and_says_so(said: str) -> None:
    heard = understand(said).heard
    assert heard.known == ()
    assert heard.unspecific


def test_an_unknown_word_is_said_to_be_unknown_with_the_nearest() -> None:
    heard = understand("NET::ERR_CERT_AUTHORTY_INVALID").heard
    assert (heard.known, heard.unspecific) == ((), False)
    assert heard.nearest[0] == "NET::ERR_CERT_AUTHORITY_INVALID"
    assert understand("my parrot is blue today").heard.nearest == ()


def test_a_part_is_said_to_be_one() -> None:
    assert understand("NET::ERR_CERT_DATE_INVALLID").heard.partly
    assert not understand("NET::ERR_CERT_DATE_INVALID").heard.partly


def test_a_sentence_may_be_cut_off_within_a_word() -> None:
    """Half a screenshot. A code is another one as soon as a letter is missing."""
    (known,) = understand("Your connection is not priv").heard.known
    assert known.words == "Your connection is not private"
    assert understand("Your connection is not priv").heard.partly
    assert understand("SEC_ERROR_EXPIRED_CERT").heard.known == ()
    assert understand("certificate is not").heard.known == ()


def test_what_grows_when_it_is_read_is_not_longer_for_it() -> None:
    """U+FDFA becomes eighteen letters by NFKC (Unicode 15.0, UAX #15)."""
    said = "\ufdfa" * 3000
    heard = understand(said + "SEC_ERROR_EXPIRED_CERTIFICATE").heard
    assert (heard.known, heard.said) == ((), said + "SEC_ERROR_EXPIRED_CERTIFICATE")


def test_a_long_story_does_not_match_by_a_few_common_words() -> None:
    story = "I was on the network and then it did not connect and the page said something"
    assert known(story) == []


@pytest.mark.parametrize("said", ["", " \n", "\0\x1b[31m", "x" * 100_000, "-" * 5_000, "1" * 9_999])
def test_any_text_is_taken(said: str) -> None:
    assert understand(said).heard.said == said


def test_who_sent_an_alert_is_read_off_the_line() -> None:
    """OpenSSL's own words in servers' logs: written alerts are about the client's certificate."""
    assert understand("SSL: SSL3 alert: write (local SSL3 detected an error):fatal:unknown CA").sent
    assert not understand(
        "SSL: SSL3 alert: read (remote end reported an error):fatal:unknown CA"
    ).sent
    assert LogAlert("unknown_ca", received=True).times == 1


def test_what_a_rule_says_of_pages_it_says_of_joining_and_the_other_way_round() -> None:
    assert carried("web-expired", Endpoint.EAP) == "eap-expired"
    assert carried("eap-expired", Endpoint.WEB) == "web-expired"
    assert carried("web-name-mismatch", Endpoint.EAP) == "eap-name-unexpected"
    assert carried("eap-name-unexpected", Endpoint.WEB) == "web-name-mismatch"
    assert carried("web-private-root", Endpoint.EAP) == "eap-unknown-root"
    assert carried("web-too-few-timestamps", Endpoint.EAP) is None
    assert carried("eap-silent", Endpoint.WEB) == "web-silent"
    assert carried("eap-leaf-differs", Endpoint.WEB) is None
    assert carried("eap-expired", Endpoint.RADSEC) == "radsec-expired"
    both = {rule[4:] for rule in RULE_IDS if rule.startswith("web-")} & {
        rule[4:] for rule in RULE_IDS if rule.startswith("eap-")
    }
    for tail in both:
        assert everywhere([f"web-{tail}"], [Endpoint.EAP]) == (f"eap-{tail}",)
        assert everywhere([f"eap-{tail}"], [Endpoint.WEB]) == (f"web-{tail}",)


@pytest.mark.parametrize(
    ("word", "family"),
    [
        ("iPhone", "apple-eap"),
        ("my iPhone", "apple-eap"),
        ("Windows 11", "windows-eap"),
        ("Android phone", "android-eap"),
        ("FIREFOX", "firefox-web"),
        ("linux-eap", "linux-eap"),
    ],
)
def test_plain_words_stand_for_families(word: str, family: str) -> None:
    assert family in client_of(word)


def test_only_known_words_stand_for_families() -> None:
    assert client_of("toaster") == ()
    assert "apple-eap" not in client_of("Android phone")
    assert all(client_of(word) for word in KNOWN_CLIENTS)
