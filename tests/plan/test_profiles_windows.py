"""Windows profiles: wireless, wired and EAPHost alone, for each method; hostile ones."""

import hashlib
from pathlib import Path

import pytest
from cryptography.hazmat.primitives import serialization

from probe.plan.model import Demand, Expects, Matching
from probe.plan.problems import Refused
from probe.plan.profiles import read_profile
from tests.plan.conftest import make_certificate
from tests.plan.profiles import RADIUS, SECRETS, windows_peap, windows_tls, windows_ttls, wlan

ROOT = make_certificate("Northpier Root").public_bytes(serialization.Encoding.DER)
PRINT = hashlib.sha1(ROOT, usedforsecurity=False).hexdigest()


def expects(folder: Path, octets: bytes) -> tuple[Expects, ...]:
    path = folder / "staff.xml"
    path.write_bytes(octets)
    found = read_profile(path, path.name, "windows-eap")
    assert not [secret for secret in SECRETS if secret in repr(found)]
    return found


def demand(*names: tuple[str, Matching]) -> tuple[Demand, ...]:
    return (Demand("ServerNames", names),)


def test_a_wireless_profile_with_peap(tmp_path: Path) -> None:
    """[MS-GPWL] 2.2.3.2.8; the inner method's own validation is not about this server."""
    assert expects(tmp_path, wlan(windows_peap(ROOT))) == (
        Expects(
            demands=demand((RADIUS, Matching.NAME)),
            anchor_key="TrustedRootCA",
            thumbprints=(PRINT,),
            prompts=False,
            ssids=("Northpier",),
        ),
    )


def test_an_eaphost_configuration_by_itself(tmp_path: Path) -> None:
    (found,) = expects(tmp_path, windows_peap(ROOT, silent="0").encode())
    assert found.prompts is True
    assert found.ssids == ()


def test_a_wireless_profile_with_ttls(tmp_path: Path) -> None:
    """[MS-GPWL] 6.13.1: TrustedRootCAHashes and DisablePrompt."""
    assert expects(tmp_path, wlan(windows_ttls(ROOT))) == (
        Expects(
            demands=demand(("a.northpier.example", Matching.NAME), (RADIUS, Matching.NAME)),
            anchor_key="TrustedRootCAHashes",
            thumbprints=(PRINT,),
            prompts=True,
            ssids=("Northpier",),
        ),
    )


def test_a_wired_profile_with_tls_that_accepts_any_name(tmp_path: Path) -> None:
    """AcceptServerName: whether the name is validated against ServerNames."""
    (found,) = expects(tmp_path, windows_tls(ROOT))
    assert found.demands == ()
    assert found.thumbprints == (PRINT,)


def test_a_profile_that_validates_nothing(tmp_path: Path) -> None:
    text = windows_tls(ROOT).replace(b">true</PerformServer", b">false</PerformServer")
    (found,) = expects(tmp_path, text)
    assert found.validates is False


def test_what_holds_a_star_is_a_regular_expression(tmp_path: Path) -> None:
    """Microsoft, EAP for network access, "Connect to these servers"; else a name is literal."""
    names = r"nps*.example.com; ^radius[0-9]*\.northpier\.example$;plain.northpier.example;"
    (found,) = expects(tmp_path, windows_peap(ROOT, names=names).encode())
    assert found.demands == demand(
        ("nps*.example.com", Matching.PATTERN),
        (r"^radius[0-9]*\.northpier\.example$", Matching.PATTERN),
        ("plain.northpier.example", Matching.NAME),
    )


def test_without_names_and_roots_nothing_is_demanded(tmp_path: Path) -> None:
    (found,) = expects(
        tmp_path, windows_peap(ROOT, names="", roots="<msPeap:TrustedRootCA/>").encode()
    )
    assert (found.demands, found.thumbprints, found.validates) == ((), (), True)


PLAIN = windows_peap(ROOT)
BOMB = f"""<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a "aaaaaaaa"><!ENTITY b "&a;&a;&a;&a;">]>
{PLAIN.replace(RADIUS, "&b;")}"""
OUTSIDE = (
    f"""<!DOCTYPE x [<!ENTITY a SYSTEM "file:///etc/hostname">]>{PLAIN.replace(RADIUS, "&a;")}"""
)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "is no XML"),
        ("lantern-under-berth-nine", "is no XML"),
        (PLAIN[:-20], "is no XML"),
        (BOMB, "document type"),
        (OUTSIDE, "document type"),
        ("<!DOCTYPE x SYSTEM 'http://192.0.2.1/x.dtd'><x/>", "document type"),
        (PLAIN.replace(RADIUS, "&undeclared;"), "is no XML: undefined entity"),
        ("<a>" * 100 + "</a>" * 100, "too many elements within each other"),
        ("<a>" + "<b/>" * 30_000 + "</a>", "more than 20000 elements"),
        (windows_peap(ROOT, names="x" * 70_000), "more than 65536 characters"),
        (windows_peap(ROOT, names="a;" * 300), "more than 256 entries"),
        ('<?xml version="1.0" encoding="x-none"?><a/>', "is no XML"),
        ("<WLANProfile><MSM/></WLANProfile>", "holds no EAP configuration"),
        (PLAIN.replace(">25<", ">18<"), "whose server shows no certificate"),
        (
            PLAIN.replace("<Config ", "<Other ").replace("</Config>", "</Other>"),
            "without EapMethod",
        ),
        (
            PLAIN.replace("<Config ", "<ConfigBlob ").replace("</Config>", "</ConfigBlob>"),
            "is binary",
        ),
        (windows_peap(ROOT, roots="<TrustedRootCA>abcd</TrustedRootCA>"), "no SHA-1 or SHA-256"),
        (windows_peap(ROOT, silent="perhaps"), "neither true nor false"),
        (windows_peap(ROOT, names="(?=x).*"), "looks around"),
        (windows_peap(ROOT, names="((a{99}){99}){99}*"), "not understood"),
        (windows_peap(ROOT, names="radius(.*"), "not understood"),
    ],
)
def test_a_file_that_cannot_be_used_is_one_problem(tmp_path: Path, text: str, says: str) -> None:
    path = tmp_path / "staff.xml"
    path.write_text(text, "utf-8")
    with pytest.raises(Refused, match=r"staff\.xml: the file ") as caught:
        read_profile(path, path.name, "windows-eap")
    told = f"{caught.value.says} {caught.value.allowed}"
    assert says in told
    assert not [secret for secret in SECRETS if secret in told]
